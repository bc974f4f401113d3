// Runs the node's mind under MicroPython: a line of JSON in, a line of JSON out.
import { createInterface } from "node:readline";
import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";

const [, , micropython, node, harness] = process.argv;
const { loadMicroPython } = await import(pathToFileURL(micropython).href);
const mp = await loadMicroPython({ stdout: (line) => process.stderr.write(line + "\n") });
mp.runPython(readFileSync(node, "utf8"));
mp.runPython(readFileSync(harness, "utf8"));
mp.runPython("board = Board(Node)\ndef step(text):\n    return board.step(text)\n");
mp.runPython("import sys\nversion = sys.implementation.name + ' ' + '.'.join(str(n) for n in sys.implementation.version[:3])");
const step = mp.globals.get("step");
process.stdout.write(JSON.stringify({ version: mp.globals.get("version") }) + "\n");
for await (const line of createInterface({ input: process.stdin })) {
  process.stdout.write(step(line) + "\n");
}
