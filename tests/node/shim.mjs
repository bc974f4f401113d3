// Runs the node's shim under MicroPython: what it sends for some frames, in hexadecimal, on a line.
import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";

const [, , micropython, node, main, standIns, frames] = process.argv;
const { loadMicroPython } = await import(pathToFileURL(micropython).href);
const mp = await loadMicroPython({ stdout: (line) => process.stderr.write(line + "\n") });
try {
  mp.runPython(readFileSync(standIns, "utf8"));
  mp.globals.set("main_text", readFileSync(main, "utf8"));
  mp.globals.set("node_text", readFileSync(node, "utf8"));
  mp.globals.set("frames", frames);
  mp.runPython("firmware = Module()\nnames = {}\nexec(node_text, names)\nfor name in names:\n    setattr(firmware, name, names[name])");
  mp.runPython("held = play(main_text, firmware, '', service_held=True)\nassert not held, repr(held)\nsent = play(main_text, firmware, frames)");
  process.stdout.write(mp.globals.get("sent") + "\n");
} catch (error) {
  process.stderr.write(error.message + "\n"); // Node.js would print a whole library before it
  process.exitCode = 1;
}
