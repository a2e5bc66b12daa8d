// A way to the printer for who does not know the keys.
const way = document.getElementById("print");
way.hidden = false;
way.addEventListener("click", () => print());
