// Payloads on stdin, one a line in base64; on stdout what the library makes of each, as JSON.
const sparkplug = require("sparkplug-payload").get("spBv1.0");
const plain = (key, value) =>
  value && value.constructor && value.constructor.name === "Long" ? Number(value) : value;
const lines = require("fs").readFileSync(0, "utf8").trim().split("\n");
for (const line of lines) {
  const long = (value) => (value && value.toNumber ? value.toNumber() : value);
  const payload = sparkplug.decodePayload(Buffer.from(line, "base64"));
  const metrics = payload.metrics.map((one) => ({ ...one, value: long(one.value), timestamp: long(one.timestamp) }));
  console.log(JSON.stringify({ timestamp: long(payload.timestamp), seq: long(payload.seq), metrics }, plain));
}
