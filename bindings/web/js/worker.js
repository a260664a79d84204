// One job at a time: mounts the user's files, runs the command on them, and hands over what it wrote.

import { Folder, Given, run } from './system.js';

/** What was measured of the files stays from job to job, as the command keeps it from run to run. */
const kept = new Folder();

const work = ({ module, files, texts, args, out }) => {
  const root = new Folder();
  root.put('/.kept', kept);
  root.put('/.tmp', new Folder());
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
    const made = folder ? [...folder.files()].map(([name, file]) => ({ name, blob: file.blob() })) : [];
    self.postMessage({ type: 'done', code, made, said: said.join('\n'), wrong: wrong.join('\n') });
  } catch (e) {
    const all = `${wrong.join('\n')} ${e}`;
    const memory = /memory allocation|Out of memory|Array buffer allocation|could not allocate/i.test(all);
    self.postMessage({ type: 'failed', reason: memory ? 'memory' : 'broken', path: current?.path, detail: all });
  }
};

self.onmessage = ({ data }) => work(data);
