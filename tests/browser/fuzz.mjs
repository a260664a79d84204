// Runs a test program of this project that was compiled to WebAssembly, by the same system that the page's worker has, on
// what fuzzers found and the seeds they began with: cargo calls it as the runner of wasm32-wasip1.
//
// usage: node fuzz.mjs PROGRAM ARGUMENTS
import { readFileSync, readdirSync } from 'node:fs';
import { join } from 'node:path';
import { Folder, Given, run } from '../../bindings/web/js/system.js';
import { root } from './support.mjs';

const [program, ...args] = process.argv.slice(2);
const system = new Folder();
system.put('/.tmp', new Folder());
const mount = (folder) => {
  for (const entry of readdirSync(folder, { withFileTypes: true })) {
    const path = join(folder, entry.name);
    if (entry.isDirectory()) mount(path);
    else {
      const bytes = readFileSync(path);
      system.put(path, new Given(path, bytes.length, 0, (from, to) => bytes.subarray(from, to)));
    }
  }
};
for (const folder of ['fuzz/seeds', 'fuzz/regressions', 'fuzz/fuzz_targets', 'tests/fixtures']) mount(join(root, folder));
// A panic ends the program by a trap, which ends this one.
process.exitCode = run(new WebAssembly.Module(readFileSync(program)), {
  args: [program, ...args], root: system, onOut: (line) => console.log(line), onError: (line) => console.error(line),
});
