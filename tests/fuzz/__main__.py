"""By hand: `python -m tests.fuzz [--target NAME] [--runs N] [--seed K] [--plain]`.

Guided by coverage where atheris is installed (the dependency group `fuzz`), which stops at the
first defect of a target; else, or with --plain, by chance alone, which goes on and counts. What
is found is kept in a folder that the last line names. Exit 0: nothing was found; 1: something was.
"""

from __future__ import annotations

import argparse
import importlib.util
import resource
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from hashlib import sha256
from pathlib import Path
from random import Random
from typing import Final

from tests.quiet import quiet

KEPT: Final = Path(tempfile.gettempdir()) / "bayroll-fuzz"
LONGEST: Final = 8_192
DEFECTS_MAX: Final = 20  # kinds of defects of one target, kept
SLOWER: Final = 20  # a slow target is run so many times less


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--target", help="one target; without it each in turn")
    parser.add_argument("--runs", type=int, default=100_000, help="inputs of each target")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--plain", action="store_true", help="by chance, even with atheris")
    given = parser.parse_args()
    quiet()
    guided = not given.plain and importlib.util.find_spec("atheris") is not None
    if given.target is None:
        return _each(given.runs, given.seed, guided)
    if guided:
        _guided(given.target, given.runs, given.seed)
    return _by_chance(given.target, given.runs, given.seed)


def _each(runs: int, seed: int, guided: bool) -> int:
    """One process after another, so that one defect does not hide those of other targets."""
    from tests.fuzz.targets import SLOW, TARGETS

    failed = []
    for name in TARGETS:
        count = runs // SLOWER if name in SLOW else runs
        line = ["--target", name, "--runs", str(count), "--seed", str(seed)]
        line += [] if guided else ["--plain"]
        ended = subprocess.run([sys.executable, "-m", "tests.fuzz", *line], check=False)
        if ended.returncode != 0:
            failed.append(name)
    how = "guided by coverage" if guided else "by chance alone"
    verdict = f"defects in: {', '.join(failed)}" if failed else "no defect"
    print(f"{verdict}; {len(TARGETS)} targets, {how}; kept in {KEPT}")
    return 1 if failed else 0


def _guided(name: str, runs: int, seed: int) -> None:
    """Does not return: the fuzzer ends the process."""
    import atheris

    with atheris.instrument_imports(include=["poller"]):
        from tests.fuzz.targets import TARGETS
    from tests.fuzz.seeds import seeds, words

    folder = KEPT / name
    corpus = folder / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    for one in seeds(name):
        (corpus / sha256(one).hexdigest()[:16]).write_bytes(one)
    known = folder / "words"
    known.write_text("".join(f'"{_escaped(one)}"\n' for one in words(name) if len(one) < 64))
    print(f"{name}: guided by coverage, {runs} inputs", flush=True)
    options = {
        "runs": runs,
        "seed": seed,
        "max_len": LONGEST,
        "timeout": 120,
        "rss_limit_mb": 2_048,
        "dict": known,
        "artifact_prefix": f"{folder}/",
        "print_final_stats": 1,
        "verbosity": 0,
    }
    arguments = [f"-{key}={value}" for key, value in options.items()]
    atheris.Setup([sys.argv[0], *arguments, str(corpus)], TARGETS[name])
    atheris.Fuzz()


def _escaped(octets: bytes) -> str:
    return "".join(f"\\x{octet:02x}" for octet in octets)


def _by_chance(name: str, runs: int, seed: int) -> int:
    from tests.fuzz.mutate import mutated
    from tests.fuzz.targets import TARGETS

    print(f"{name}: by chance alone, {runs} inputs", flush=True)
    random, target = Random(f"{name} {seed}"), TARGETS[name]
    defects = Counter[str]()
    slowest_s, begun = 0.0, time.monotonic()
    for _ in range(runs):
        data = mutated(name, random)
        before = time.perf_counter()
        try:
            target(data)
        except Exception as reason:
            last = traceback.extract_tb(reason.__traceback__)[-1]
            which = f"{type(reason).__name__} at {Path(last.filename).name}:{last.lineno}"
            if which not in defects and len(defects) < DEFECTS_MAX:
                _keep(name, data, reason)
            defects[which] += 1
        slowest_s = max(slowest_s, time.perf_counter() - before)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(
        f"{name}: {runs} inputs in {time.monotonic() - begun:.0f} s, slowest {slowest_s:.2f} s, "
        f"peak {peak_mb} MB, {sum(defects.values())} defects of {len(defects)} kinds"
    )
    for which, count in defects.most_common():
        print(f"  {count} x {which}")
    return 1 if defects else 0


def _keep(name: str, data: bytes, reason: Exception) -> None:
    folder = KEPT / name
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"chance-{sha256(data).hexdigest()[:12]}"
    path.write_bytes(data)
    print(f"  {path}: {type(reason).__name__}: {str(reason)[:300]}", flush=True)


if __name__ == "__main__":
    sys.exit(main())
