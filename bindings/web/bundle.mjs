// Puts the npm package and the page together: `node bundle.mjs WASM OUT`. The page is one file that holds all it needs, the
// engine included, so that it opens from any server and from disk, and asks for nothing.
import { createHash } from 'node:crypto';
import { copyFileSync, mkdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { brotliCompressSync, constants, gzipSync } from 'node:zlib';

const [wasmPath, out] = process.argv.slice(2);
const here = dirname(fileURLToPath(import.meta.url));
const report = join(here, '../../crates/coeval-deliver/src/report');
const wasm = readFileSync(wasmPath);
/** The largest engine that is let through, bytes as a server sends it (own target). */
const LARGEST = 6e6;

rmSync(out, { recursive: true, force: true });
const folder = join(out, 'package');
mkdirSync(folder, { recursive: true });
for (const name of ['index.js', 'index.d.ts', 'worker.js', 'system.js']) copyFileSync(join(here, 'js', name), join(folder, name));
for (const name of ['package.json', 'README.md']) copyFileSync(join(here, name), join(folder, name));
for (const name of ['LICENSE-MIT', 'LICENSE-APACHE']) copyFileSync(join(here, '../..', name), join(folder, name));
writeFileSync(join(folder, 'coeval.wasm'), wasm);

// Modules become one script: they share no name, and import each other alone.
const joined = (...paths) => paths.map((path) => readFileSync(join(here, path), 'utf8').replace(/^import .*\n/gm, '').replace(/^export /gm, '')).join('\n');
const script = joined('js/index.js', 'page/zip.js', 'page/page.js');
const hash = (text) => `'sha256-${createHash('sha256').update(text).digest('base64')}'`;
// The report brings a script of its own, which the page's policy must let through too.
const parts = {
  scripts: `${hash(script)} ${hash(readFileSync(join(report, 'page.js'), 'utf8'))}`,
  style: readFileSync(join(report, 'page.css'), 'utf8') + readFileSync(join(here, 'page/page.css'), 'utf8'),
  worker: joined('js/system.js', 'js/worker.js'),
  wasm: gzipSync(wasm, { level: 9 }).toString('base64'),
  script,
};
const page = readFileSync(join(here, 'page/page.html'), 'utf8').replace(/\{\{(\w+)\}\}/g, (_, name) => parts[name]);
writeFileSync(join(out, 'coeval.html'), page);

const brotli = brotliCompressSync(wasm, { params: { [constants.BROTLI_PARAM_QUALITY]: 9 } }).length;
console.log(`engine: ${(wasm.length / 1e6).toFixed(2)} MB, ${(brotli / 1e6).toFixed(2)} MB by brotli; page: ${(page.length / 1e6).toFixed(2)} MB`);
if (brotli > LARGEST) {
  console.error(`the engine is larger than ${LARGEST / 1e6} MB by brotli`);
  process.exit(1);
}
