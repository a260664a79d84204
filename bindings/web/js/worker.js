// One job at a time: mounts the user's files, runs the command on them, and hands over what it wrote.

import { Folder, Given, Made, run, Temporary } from './system.js';

/** What was measured of the files stays from job to job, as the command keeps it from run to run. */
const kept = new Folder();

/** Names of this page's files in the browser's private file system. */
const OWN = 'coeval-';

/** An empty file there, or nothing where the browser has none for this page. Files of workers that were ended are removed:
 *  those in use refuse it. */
const privateFile = async () => {
  try {
    const folder = await navigator.storage.getDirectory();
    for await (const name of folder.keys()) {
      if (name.startsWith(OWN)) await folder.removeEntry(name).catch(() => {});
    }
    const file = await folder.getFileHandle(OWN + crypto.randomUUID(), { create: true });
    return await file.createSyncAccessHandle();
  } catch {
    return undefined;
  }
};
let spill;

const work = async ({ module, files, texts, args, out }) => {
  spill ??= privateFile();
  const handle = await spill;
  const root = new Folder();
  root.put('/.kept', kept);
  root.put('/.tmp', new Temporary(handle));
  for (const { path, file } of files) {
    const reader = new FileReaderSync();
    const read = (from, to) => new Uint8Array(reader.readAsArrayBuffer(file.slice(from, to)));
    root.put(path, new Given(path, file.size, file.lastModified ?? 0, read));
  }
  for (const { path, text } of texts) {
    const bytes = new TextEncoder().encode(text);
    root.put(path, new Given(path, bytes.length, 0, (from, to) => bytes.slice(from, to)));
  }
  let current;
  const [said, wrong] = [[], []];
  const onError = (line) => {
    const progress = /^progress (\S+) (.*)$/.exec(line);
    if (!progress) wrong.push(line);
    else {
      const file = current && { path: current.path, done: Math.min(1, current.reached / current.size) };
      self.postMessage({ type: 'progress', done: Number(progress[1]), stage: progress[2], file });
    }
  };
  try {
    const code = run(module, { args, root, onOut: (line) => said.push(line), onError, onReading: (file) => { current = file; } });
    const folder = root.entries.get(out);
    // What was there before is the page's.
    const made = [...folder?.files() ?? []].filter(([, file]) => file instanceof Made).map(([name, file]) => ({ name, blob: file.blob() }));
    self.postMessage({ type: 'done', code, made, said: said.join('\n'), wrong: wrong.join('\n') });
  } catch (e) {
    const all = `${wrong.join('\n')} ${e}`;
    const memory = /memory allocation|Out of memory|Array buffer allocation|could not allocate/i.test(all);
    self.postMessage({ type: 'failed', reason: memory ? 'memory' : 'broken', path: current?.path, detail: all });
  } finally {
    handle?.truncate(0);
  }
};

self.onmessage = ({ data }) => work(data);
