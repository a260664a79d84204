// Recordings of one event onto one clock, in the browser: the same work as the command `coeval align`, on the user's own
// files, in a worker. Nothing leaves the machine.

const engine = {
  module: () => WebAssembly.compileStreaming(fetch(new URL('./coeval.wasm', import.meta.url))),
  worker: () => new Worker(new URL('./worker.js', import.meta.url), { type: 'module' }),
};
let module;
let idle;
/** Of each result: where its recordings lie for the engine, and below which folder. */
const mounts = new WeakMap();

/** Gets the engine ready; `align` does so by itself. `own` names other places that it comes from. */
export const load = (own = {}) => {
  Object.assign(engine, own);
  module ??= Promise.resolve(engine.module()).catch((e) => { module = undefined; throw e; });
  return module;
};

/** Why there is no result. */
export class CoevalError extends Error {
  constructor(kind, message, path) {
    super(message);
    Object.assign(this, { name: 'CoevalError', kind, path });
  }
}

const PARTS = ['timeline', 'edl', 'under-clips', 'whole', 'markers', 'report'];

/** Where each file lies for the engine, and what the command is given: folders whole, other files one by one. */
const mount = (files) => {
  const [taken, given, mounted] = [new Set(), new Set(), []];
  for (const entry of files) {
    const file = entry.file ?? entry;
    const way = (entry.path ?? (file.webkitRelativePath || file.name)).split('/').filter((part) => part && part !== '.' && part !== '..');
    if (way.length === 0) throw new CoevalError('argument', 'a file has no name');
    if (way.length === 1) way.unshift('recordings');
    let path = `/${way.join('/')}`;
    // Two files of one name that were chosen one by one.
    for (let n = 2; taken.has(path); n += 1) path = `/${way.slice(0, -1).join('/')}/${n}/${way.at(-1)}`;
    taken.add(path);
    given.add((entry.path ?? file.webkitRelativePath) ? `/${way[0]}` : path);
    mounted.push({ path, file });
  }
  return { mounted, given: [...given], name: [...given].length === 1 ? mounted[0].path.split('/')[1] : 'recordings' };
};

/** Runs the engine once. Answers its exit code, what it made in the folder `out`, and what it said. */
const job = async (work, onProgress, signal) => {
  signal?.throwIfAborted();
  const ready = await load();
  signal?.throwIfAborted();
  const worker = idle ?? engine.worker();
  idle = undefined;
  return new Promise((resolve, reject) => {
    const end = (settle, value, stays) => {
      signal?.removeEventListener('abort', stop);
      if (stays && !idle) idle = worker;
      else worker.terminate();
      settle(value);
    };
    const stop = () => end(reject, signal.reason);
    signal?.addEventListener('abort', stop);
    worker.onerror = (e) => end(reject, new CoevalError('broken', `the engine cannot run here: ${e.message}`));
    worker.onmessage = ({ data }) => {
      if (data.type === 'progress') {
        onProgress({ stage: data.stage, done: data.done, file: data.file });
      } else if (data.type === 'failed') {
        const where = data.path ? ` while ${data.path.slice(1)} was read` : '';
        end(reject, new CoevalError(data.reason, data.reason === 'memory'
          ? `the page ran out of memory${where}: close other tabs, or leave files out`
          : `the engine stopped${where}: leave that file out (${data.detail.trim()})`, data.path));
      } else {
        const made = new Map(data.made.map(({ name, blob }) => [name, blob]));
        end(resolve, { code: data.code, made, table: data.said, message: data.wrong.replaceAll('coeval: ', '').trim() }, true);
      }
    };
    worker.postMessage({ module: ready, ...work });
  });
};

/** Puts recordings on one clock; index.d.ts says what goes in and comes out. */
export const align = async (files, options = {}, onProgress = () => {}, signal = undefined) => {
  const { mounted, given, name } = mount(files);
  const parts = options.parts ?? ['timeline', 'edl', 'markers', 'report'];
  const unknown = parts.find((part) => !PARTS.includes(part));
  if (unknown !== undefined) throw new CoevalError('argument', `${unknown} is not a part of a result; the parts are ${PARTS.join(', ')}`);
  const texts = options.anchors?.length ? [{ path: '/.anchors.json', text: JSON.stringify({ anchor: options.anchors }) }] : [];
  const out = `${name}-aligned`;
  const args = [
    'coeval', 'align', '-o', `/${out}`, '--cache', '/.kept', ...parts.flatMap((part) => ['--only', part]),
    ...texts.flatMap(({ path }) => ['--anchors', path]), ...(options.arguments ?? []), '--', ...given,
  ];
  const { code, made, table, message } = await job({ files: mounted, texts, args, out }, onProgress, signal);
  const json = made.get('alignment.json');
  if (!json) throw new CoevalError(code === 1 ? 'argument' : 'nothing', message || 'nothing could be done');
  const alignment = JSON.parse(await json.text());
  const at = new Map(mounted.map(({ path, file }) => [path, file]));
  const paths = alignment.recordings.flatMap((r) => r.files).map((f) => f.path);
  const media = paths.every((path) => at.has(`/${name}/${path}`)) ? `/${name}` : '';
  const sources = new Map(paths.map((path) => [path, at.get(`${media}/${path}`)]));
  const result = { name: out, code, alignment, files: made, sources, table, message };
  mounts.set(result, { mounted, media });
  return result;
};

/** Makes a rough cut of a result; index.d.ts says what goes in and comes out. */
export const tighten = async (result, options = {}, onProgress = () => {}, signal = undefined) => {
  const { mounted, media } = mounts.get(result);
  const written = [...result.files].map(([name, file]) => ({ path: `/${result.name}/${name}`, file }));
  const args = [
    'coeval', 'tighten', '--media', `${media}/`, ...(options.arguments ?? []), '--', `/${result.name}`,
  ];
  const { code, made, table, message } = await job({ files: [...mounted, ...written], texts: [], args, out: result.name }, onProgress, signal);
  if (made.size === 0) throw new CoevalError(code === 1 ? 'argument' : 'nothing', message || 'nothing could be done');
  const cut = { ...result, code, files: new Map([...result.files, ...made]), table, message };
  mounts.set(cut, { mounted, media });
  return cut;
};

/** A file's sound for ear and eye; index.d.ts says more. */
export const sound = async (file, signal = undefined) => {
  const { mounted } = mount([file]);
  const work = { files: mounted, texts: [], args: ['coeval', 'sound', mounted[0].path, '/out'], out: 'out' };
  const { made, message } = await job(work, () => {}, signal);
  if (!made.has('sound.wav')) throw new CoevalError('nothing', message, mounted[0].path);
  return made.get('sound.wav');
};
