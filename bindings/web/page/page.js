// The page: choose, align, look, put by hand what the sound could not place, save.

import { align, CoevalError, load, sound, tighten } from '../js/index.js';
import { zip } from './zip.js';

const $ = (id) => document.getElementById(id);
const element = (tag, text, attributes = {}) => {
  const made = document.createElement(tag);
  made.textContent = text;
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  return made;
};
const inMb = (bytes) => (bytes < 1e6 ? `${Math.ceil(bytes / 1e3)} kB` : `${(bytes / 1e6).toFixed(1)} MB`);

const bytesOf = (base64) => {
  const text = atob(base64);
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i += 1) bytes[i] = text.charCodeAt(i);
  return bytes;
};

// The engine lies within the page, so that nothing has to be fetched. It is compiled while it is unpacked.
const unpacked = () => {
  const stream = new Blob([bytesOf($('wasm-text').textContent.trim())]).stream().pipeThrough(new DecompressionStream('gzip'));
  return new Response(stream, { headers: { 'content-type': 'application/wasm' } });
};
const workerUrl = URL.createObjectURL(new Blob([$('worker-text').textContent], { type: 'text/javascript' }));
const ready = load({
  module: () => WebAssembly.compileStreaming(unpacked()),
  worker: () => new Worker(workerUrl),
});

/** The samples of the engine's own WAV files of 16 bits, by channel, and their rate: `fmt ` and `data` have them. */
const samplesOf = (wav) => {
  const view = new DataView(wav);
  let [rate, count] = [0, 1];
  let at = 12;
  for (; view.getUint32(at) !== 0x64617461; at += 8 + view.getUint32(at + 4, true)) {
    if (view.getUint32(at) === 0x666d7420) [rate, count] = [view.getUint32(at + 12, true), view.getUint16(at + 10, true)];
  }
  const all = new Int16Array(wav.slice(at + 8, at + 8 + view.getUint32(at + 4, true)));
  return { rate, channels: Array.from({ length: count }, (_, channel) => (count === 1 ? all : all.filter((_v, i) => i % count === channel))) };
};

/** What was chosen, by name. */
const chosen = new Map();
let anchors = [];
let result;
let stopper;
let isReady = false;
let isSaving = false;

const say = (text) => { $('said').textContent = text; };
const complain = (error) => {
  $('wrong').hidden = !error;
  $('wrong').textContent = !error ? '' : error instanceof CoevalError ? `${error.message}.` : `This page failed: ${error.message ?? error}`;
};

/** Lists what is chosen. */
const list = () => {
  $('rows').replaceChildren(...[...chosen].map(([name, { file }]) => {
    const row = element('tr', '');
    const cell = element('td', '', { 'data-l': 'Read' });
    cell.append(element('progress', '', { max: 1, value: 0, 'aria-label': `How far ${name} is read` }));
    row.append(element('th', name, { scope: 'row' }), element('td', inMb(file.size), { 'data-l': 'Size' }), cell);
    return row;
  }));
  $('chosen').hidden = chosen.size === 0;
  show();
};

/** Shows what can be done now. */
const show = () => {
  const busy = Boolean(stopper);
  $('clear').hidden = chosen.size === 0 || busy;
  $('go').hidden = busy;
  $('go').disabled = !isReady || chosen.size < 2;
  $('cancel').hidden = !busy;
  $('bar').hidden = !busy;
  for (const id of ['pick-files', 'pick-folder', 'save', 'save-folder']) $(id).disabled = busy;
};

const add = (entries) => {
  for (const { path, file } of entries) {
    // What a folder holds is named with it; files that were chosen by themselves are told apart by their size and time.
    let name = path || file.name;
    if (!path && chosen.has(name) && chosen.get(name).file.size !== file.size) name = `${file.name} (${file.lastModified})`;
    chosen.set(name, { path, file });
  }
  const sorted = [...chosen].sort(([a], [b]) => a.localeCompare(b, 'en', { numeric: true }));
  chosen.clear();
  for (const [name, entry] of sorted) chosen.set(name, entry);
  anchors = [];
  $('result').hidden = true;
  complain();
  list();
  if (isReady) say(chosen.size < 2 ? 'Choose at least two recordings.' : `${chosen.size} files. Click Align when you have added all of them.`);
};

for (const id of ['pick-files', 'pick-folder']) {
  $(id).addEventListener('change', ({ target }) => {
    add([...target.files].map((file) => ({ path: file.webkitRelativePath, file })));
    target.value = '';
  });
}

/** The files below what was dropped. */
const filesOf = async (entry) => {
  if (entry.isFile) {
    const file = await new Promise((resolve, reject) => { entry.file(resolve, reject); });
    const path = entry.fullPath.replace(/^\//, '');
    return [{ path: path.includes('/') ? path : '', file }];
  }
  const reader = entry.createReader();
  const found = [];
  for (;;) {
    // Each call gives some of them, and the last none.
    const some = await new Promise((resolve, reject) => { reader.readEntries(resolve, reject); });
    if (some.length === 0) break;
    for (const child of some) found.push(...await filesOf(child));
  }
  return found;
};
for (const event of ['dragenter', 'dragover', 'dragleave', 'drop']) {
  document.addEventListener(event, (e) => {
    e.preventDefault();
    $('drop').classList.toggle('over-it', event === 'dragenter' || event === 'dragover');
  });
}
document.addEventListener('drop', async ({ dataTransfer }) => {
  if (stopper) return;
  const entries = [...dataTransfer.items].map((item) => item.webkitGetAsEntry()).filter(Boolean);
  try {
    add((await Promise.all(entries.map(filesOf))).flat());
  } catch (e) {
    complain(e);
  }
});

$('clear').addEventListener('click', () => {
  chosen.clear();
  anchors = [];
  $('result').hidden = true;
  complain();
  say('Nothing is chosen.');
  list();
  $('pick-files').focus();
});

/** Runs the engine with progress in sight. */
const worked = async (work) => {
  stopper = new AbortController();
  complain();
  show();
  $('cancel').focus();
  const bars = new Map([...chosen.keys()].map((name, i) => [name, $('rows').rows[i].querySelector('progress')]));
  for (const bar of bars.values()) bar.value = 0;
  let [stage, since, reading] = ['', 0, undefined];
  const onProgress = (p) => {
    if (p.stage !== stage) [stage, since] = [p.stage, performance.now()];
    const passed_s = (performance.now() - since) / 1000;
    const left = p.done > 0.05 && passed_s > 2 ? `, about ${Math.ceil(passed_s / p.done - passed_s)} s left in this step` : '';
    say(`${stage}: ${Math.round(100 * p.done)} %${left}`);
    $('bar').value = p.done;
    if (stage !== 'reading sound' || !p.file) return;
    const name = [...bars.keys()].find((n) => p.file.path.endsWith(`/${n}`));
    if (reading && reading !== name) bars.get(reading).value = 1;
    if (name) bars.get(name).value = p.file.done;
    reading = name;
  };
  try {
    const made = await work(onProgress, stopper.signal);
    for (const bar of bars.values()) bar.value = 1;
    return made;
  } catch (e) {
    say(e.name === 'AbortError' ? 'Cancelled. There is no result.' : 'There is no result.');
    if (e.name !== 'AbortError') complain(e);
    return undefined;
  } finally {
    stopper = undefined;
    show();
  }
};
$('cancel').addEventListener('click', () => stopper?.abort());

const recordings = () => [...chosen.values()].map(({ path, file }) => (path ? { path, file } : file));
const files = () => result.alignment.recordings.flatMap((r) => r.files);
const isPlaced = (file) => file.status === 'placed';

const SURE = 0.99;
const why = (file) => {
  if (!isPlaced(file)) return `is unplaced: ${file.reason}`;
  const obeyed = (result.alignment.anchors ?? []).some((a) => a.hard && a.used && (a.a === file.path || a.b === file.path));
  return file.confidence < SURE && !obeyed ? `is placed with confidence of ${Math.round(100 * file.confidence)} %: check it by ear in the report.` : '';
};

const showReport = async (name) => {
  const html = await result.files.get(name).text();
  $('report').srcdoc = html;
  showChecks(html);
};

const showResult = async () => {
  const all = files();
  const placed = all.filter(isPlaced);
  const open = all.map((file) => [file, why(file)]).filter(([, words]) => words);
  $('result').hidden = false;
  $('headline').textContent = `${placed.length} of ${all.length} files are placed${open.length > 0 ? '' : ', all with confidence of at least 99 %'}.`;
  $('open-part').hidden = open.length === 0;
  $('open').replaceChildren(...open.map(([file, words]) => {
    const [item, about] = [element('li', '', { class: isPlaced(file) ? '' : 'serious' }), element('div', '')];
    about.append(element('strong', file.path), ` ${words} `);
    const canBe = file.sound && !file.copy_of && placed.some((other) => other !== file && other.sound);
    if (canBe) {
      const button = element('button', 'Put it here', { type: 'button', 'aria-label': `Put it here: ${file.path}` });
      button.addEventListener('click', () => openPlace(file));
      about.append(button);
    }
    item.append(element('span', isPlaced(file) ? 'Check' : 'Open', { class: 'kind' }), about);
    return item;
  }));
  const reports = [...result.files.keys()].filter((name) => name.endsWith('report.html')).sort();
  $('events').hidden = reports.length < 2;
  $('events').replaceChildren(...reports.map((name) => {
    const button = element('button', name.includes('/') ? name.split('/')[0].replace('-', ' ') : 'first event', { type: 'button' });
    button.addEventListener('click', () => showReport(name));
    return button;
  }));
  $('saved').textContent = '';
  await showReport(reports.find((name) => !name.includes('/')));
  $('result').focus();
  $('result').scrollIntoView();
};

const alignNow = async () => {
  const made = await worked((onProgress, signal) => align(recordings(), { anchors }, onProgress, signal));
  if (!made) return;
  result = made;
  await showResult();
  say('Done.');
};
$('go').addEventListener('click', alignNow);

/** Makes all that is to be saved and hands it to `write`, which answers what was saved. */
const save = async (button, write) => {
  $('saved').textContent = '';
  const parts = $('with-sound').checked ? ['timeline', 'edl', 'under-clips', 'whole', 'markers', 'report'] : undefined;
  const made = await worked(async (onProgress, signal) => {
    const whole = await align(recordings(), { anchors, parts }, onProgress, signal);
    return $('with-cut').checked ? tighten(whole, {}, onProgress, signal) : whole;
  });
  if (!made) return;
  isSaving = true;
  try {
    $('saved').textContent = `${await write(made)} ${made.message}`;
    say('Saved.');
  } catch (e) {
    complain(e);
    $('saved').textContent = 'Nothing was saved.';
  }
  isSaving = false;
  button.focus();
};
const summary = (made) => `${made.files.size} files, ${inMb([...made.files.values()].reduce((sum, file) => sum + file.size, 0))}`;

$('save').addEventListener('click', () => save($('save'), async (made) => {
  $('saved').textContent = 'Making the archive';
  const names = [...made.files.keys()].sort();
  const archive = await zip(names.map((name) => [`${made.name}/${name}`, made.files.get(name)]));
  const link = element('a', '', { href: URL.createObjectURL(archive), download: `${made.name}.zip` });
  link.click();
  // The browser has begun to write by then.
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
  return `${summary(made)}.`;
}));

/** Writes into a new folder below `parent`. Whatever stops it, no folder stays that looks like a result. */
const writeInto = async (parent, made) => {
  const there = new Set();
  for await (const name of parent.keys()) there.add(name);
  // What lies there is the user's.
  let { name } = made;
  for (let n = 2; there.has(name); n += 1) name = `${made.name}-${n}`;
  const folder = await parent.getDirectoryHandle(name, { create: true });
  try {
    // A folder is a result by its alignment.json, which is therefore the last.
    const names = [...made.files.keys()].sort((a, b) => (a === 'alignment.json') - (b === 'alignment.json'));
    for (const [i, path] of names.entries()) {
      $('saved').textContent = `Writing file ${i + 1} of ${names.length}`;
      const way = path.split('/');
      let at = folder;
      for (const part of way.slice(0, -1)) at = await at.getDirectoryHandle(part, { create: true });
      const file = await at.getFileHandle(way.at(-1), { create: true });
      await made.files.get(path).stream().pipeTo(await file.createWritable());
    }
  } catch (e) {
    await parent.removeEntry(name, { recursive: true });
    throw e;
  }
  return `${summary(made)}, in the folder ${name}.`;
};
$('save-folder').hidden = !globalThis.showDirectoryPicker;
$('save-folder').addEventListener('click', async () => {
  let parent;
  try {
    parent = await showDirectoryPicker({ mode: 'readwrite' });
  } catch (e) {
    if (e.name !== 'AbortError') complain(e);
    return;
  }
  await save($('save-folder'), (made) => writeInto(parent, made));
});
addEventListener('beforeunload', (e) => { if (stopper || isSaving) e.preventDefault(); });

// The picture with the sound.

/** The places of the report's listening checks, by clip: where each starts in the clip, its outline, its sounds. */
let checks = new Map();
const showChecks = (html) => {
  checks = new Map();
  for (const audio of new DOMParser().parseFromString(html, 'text/html').querySelectorAll('audio[data-clip-s]')) {
    const { clip, place, version, clipS } = audio.dataset;
    if (!result.sources.has(clip) || !files().find((file) => file.path === clip)?.picture) continue;
    if (!checks.has(clip)) checks.set(clip, new Map());
    const places = checks.get(clip);
    if (!places.has(place)) places.set(place, { clip_s: Number(clipS), wav: {} });
    places.get(place).wav[version] = audio.getAttribute('src');
    if (version === 'after') places.get(place).outline = audio.parentElement.querySelector('.wave svg');
  }
  $('see').hidden = checks.size === 0;
  $('see-clip').replaceChildren(...[...checks.keys()].map((clip) => element('option', clip, { value: clip })));
  chooseClip();
};

let seeing;
const stopSeeing = () => {
  if (!seeing) return;
  seeing.context.close();
  $('see-picture').pause();
  seeing.button.textContent = seeing.label;
  seeing = undefined;
};

const choosePlace = () => {
  stopSeeing();
  const check = checks.get($('see-clip').value)?.get($('see-place').value);
  if (!check) return;
  $('see-picture').currentTime = check.clip_s;
  $('see-wave').setAttribute('viewBox', check.outline.getAttribute('viewBox'));
  $('see-wave').querySelectorAll('path').forEach((path, i) => path.setAttribute('d', check.outline.querySelectorAll('path')[i].getAttribute('d')));
  $('see-needle').style.left = 0;
};
const chooseClip = () => {
  stopSeeing();
  const clip = $('see-clip').value;
  const picture = $('see-picture');
  if (picture.src) URL.revokeObjectURL(picture.src);
  picture.removeAttribute('src');
  $('see-said').textContent = '';
  if (!checks.has(clip)) return;
  picture.src = URL.createObjectURL(result.sources.get(clip));
  $('see-place').replaceChildren(...[...checks.get(clip).keys()].map((place) => element('option', place, { value: place })));
  choosePlace();
};
$('see-clip').addEventListener('change', chooseClip);
$('see-place').addEventListener('change', choosePlace);
$('see-picture').addEventListener('error', () => {
  if ($('see-picture').hasAttribute('src')) $('see-said').textContent = 'This browser cannot show the picture of this clip.';
});

/** The picture begins this much before the sound, so that both run when it comes, seconds. */
const LEAD_S = 0.25;
/** A device for sound that does not start by then is none (a guess). */
const PATIENCE_MS = 5000;

const see = async (button) => {
  const again = seeing?.button === button;
  stopSeeing();
  if (again) return;
  const { clip_s, wav } = checks.get($('see-clip').value).get($('see-place').value);
  const version = button.dataset.see;
  // The clip is on the left, the other recording on the right.
  const { rate, channels } = samplesOf(bytesOf(wav[version === 'before' ? 'before' : 'after'].split(',')[1]).buffer);
  const heard = channels[version === 'own' ? 0 : 1];
  const context = new AudioContext();
  const own = { button, label: button.textContent, context };
  seeing = own;
  button.textContent = 'Stop';
  const buffer = context.createBuffer(1, heard.length, rate);
  buffer.copyToChannel(Float32Array.from(heard, (v) => v / 32768), 0);
  const source = context.createBufferSource();
  source.buffer = buffer;
  source.connect(context.destination);
  source.addEventListener('ended', () => { if (seeing === own) stopSeeing(); });
  const picture = $('see-picture');
  /** The sound's clock at a time of the page's. */
  const heardAt = (ms) => {
    const { contextTime, performanceTime } = context.getOutputTimestamp();
    return contextTime > 0 ? contextTime + (ms - performanceTime) / 1000 : undefined;
  };
  let begins;
  let [frames, worst_s] = [0, 0];
  const onFrame = (_now, { mediaTime, expectedDisplayTime }) => {
    if (seeing !== own) return;
    frames += 1;
    const [sound_s, picture_s] = [heardAt(expectedDisplayTime), mediaTime - clip_s];
    // The first frame may be one that stood there before, and the sound's clock may not run yet.
    if (frames > 2 && sound_s !== undefined) {
      if (begins === undefined) {
        begins = sound_s - picture_s;
        source.start(Math.max(begins, context.currentTime), Math.max(0, context.currentTime - begins));
      }
      worst_s = Math.max(worst_s, Math.abs(sound_s - begins - picture_s));
      $('see-said').textContent = `This browser plays picture and sound within ${Math.ceil(1000 * worst_s)} ms of each other.`;
      $('see-needle').style.left = `${100 * Math.min(1, Math.max(0, picture_s / buffer.duration))}%`;
    }
    picture.requestVideoFrameCallback(onFrame);
  };
  try {
    picture.currentTime = Math.max(0, clip_s - LEAD_S);
    const runs = await Promise.race([context.resume().then(() => true), new Promise((late) => { setTimeout(late, PATIENCE_MS, false); })]);
    if (!runs && seeing === own) throw new Error('its sound does not start. Is there a device for sound?');
    await picture.play();
    picture.requestVideoFrameCallback(onFrame);
  } catch (e) {
    if (seeing !== own) return;
    stopSeeing();
    $('see-said').textContent = `This browser cannot play this clip: ${e.message}`;
  }
};
for (const button of document.querySelectorAll('[data-see]')) button.addEventListener('click', () => see(button));

// Putting a file by hand.

/** Sound by name of the result: samples and their rate. */
const heard = new Map();
const hear = async (path) => {
  if (!heard.has(path)) {
    const { rate, channels } = samplesOf(await (await sound({ path, file: result.sources.get(path) })).arrayBuffer());
    heard.set(path, { rate, samples: channels[0] });
  }
  return heard.get(path);
};

let placing;
let playing;
const stopPlaying = () => {
  playing?.close();
  playing = undefined;
  $('place-play').textContent = 'Listen';
};

const draw = () => {
  if (!placing?.below || !placing.above) return;
  const canvas = $('waves');
  const [width, height] = [canvas.clientWidth * devicePixelRatio, canvas.clientHeight * devicePixelRatio].map(Math.round);
  [canvas.width, canvas.height] = [width, height];
  const context = canvas.getContext('2d');
  const style = getComputedStyle(document.documentElement);
  const [from_s, span_s] = [Number($('place-from').value), Number($('place-span').value)];
  const wave = ({ rate, samples }, start_s, middle, colour) => {
    context.fillStyle = style.getPropertyValue(colour);
    let loudest = 1;
    const columns = Array.from({ length: width }, (_, x) => {
      const first = Math.max(0, Math.floor((start_s + (x / width) * span_s) * rate));
      const last = Math.min(samples.length, Math.max(first + 1, Math.floor((start_s + ((x + 1) / width) * span_s) * rate)));
      let [low, high] = [0, 0];
      // Long spans are looked at in steps: enough to see where it is loud.
      for (let i = first; i < last; i += Math.max(1, (last - first) >> 8)) { low = Math.min(low, samples[i]); high = Math.max(high, samples[i]); }
      loudest = Math.max(loudest, high, -low);
      return [low, high];
    });
    columns.forEach(([low, high], x) => context.fillRect(x, middle - (high / loudest) * (height / 4.4), 1, Math.max(1, ((high - low) / loudest) * (height / 4.4))));
  };
  wave(placing.above, from_s, height / 4, '--c0');
  wave(placing.below, from_s - Number($('place-at').value), (3 * height) / 4, '--c1');
};

const hearOther = async () => {
  placing.above = undefined;
  $('place-said').textContent = 'Reading the sound';
  try {
    const path = $('place-on').value;
    const [below, above] = [await hear(placing.file.path), await hear(path)];
    if (!placing || $('place-on').value !== path) return;
    Object.assign(placing, { below, above });
    $('place-said').textContent = '';
    draw();
  } catch (e) {
    $('place-said').textContent = e.message;
  }
};

const openPlace = (file) => {
  placing = { file };
  $('place-name').textContent = file.path;
  const others = files().filter((other) => other !== file && isPlaced(other) && other.sound);
  others.sort((a, b) => b.duration_s - a.duration_s);
  $('place-on').replaceChildren(...others.map((other) => element('option', other.path, { value: other.path })));
  const at_s = isPlaced(file) ? file.offset_s - others[0].offset_s : 0;
  $('place-at').value = at_s.toFixed(3);
  $('place-from').value = Math.max(0, Math.floor(at_s));
  $('place').showModal();
  hearOther();
};

$('place-on').addEventListener('change', hearOther);
for (const id of ['place-at', 'place-from', 'place-span']) $(id).addEventListener('input', draw);
let grip;
$('waves').addEventListener('pointerdown', (e) => {
  $('waves').setPointerCapture(e.pointerId);
  // Above, the view moves; below, the file.
  const id = e.offsetY < $('waves').clientHeight / 2 ? 'place-from' : 'place-at';
  grip = { id, x: e.offsetX, was: Number($(id).value) };
});
$('waves').addEventListener('pointermove', (e) => {
  if (!grip) return;
  const by_s = ((e.offsetX - grip.x) / $('waves').clientWidth) * Number($('place-span').value);
  $(grip.id).value = (grip.was + (grip.id === 'place-at' ? by_s : -by_s)).toFixed(3);
  draw();
});
for (const event of ['pointerup', 'pointercancel']) $('waves').addEventListener(event, () => { grip = undefined; });

$('place-play').addEventListener('click', () => {
  if (playing) { stopPlaying(); return; }
  if (!placing.above || !placing.below) return;
  playing = new AudioContext();
  const [from_s, at_s] = [Number($('place-from').value), Number($('place-at').value)];
  const span_s = Math.max(4, Math.min(20, Number($('place-span').value)));
  [[placing.below, from_s - at_s, -1], [placing.above, from_s, 1]].forEach(([{ rate, samples }, start_s, pan]) => {
    const buffer = playing.createBuffer(1, Math.ceil(span_s * rate), rate);
    const first = Math.round(start_s * rate);
    const channel = buffer.getChannelData(0);
    for (let i = 0; i < channel.length; i += 1) channel[i] = (samples[first + i] ?? 0) / 32768;
    const [source, panner] = [playing.createBufferSource(), new StereoPannerNode(playing, { pan })];
    source.buffer = buffer;
    source.connect(panner).connect(playing.destination);
    source.start(playing.currentTime + 0.05);
    if (pan > 0) source.addEventListener('ended', stopPlaying);
  });
  $('place-play').textContent = 'Stop';
});

/** A person hears an echo from 20 to 30 ms on, and sees a millisecond: one standard deviation (a guess). */
const BY_HAND_S = 0.01;

$('place-ok').addEventListener('click', async () => {
  const { file } = placing;
  const other = files().find((o) => o.path === $('place-on').value);
  const at_s = Number($('place-at').value);
  // A moment that both have, in sight if there is one.
  const [first_s, last_s] = [Math.max(0, at_s), Math.min(other.duration_s, at_s + file.duration_s)];
  if (!(first_s < last_s)) {
    $('place-said').textContent = 'The two files would not overlap there.';
    return;
  }
  const look_s = Number($('place-from').value) + Number($('place-span').value) / 2;
  const moment_s = Math.min(Math.max(look_s, first_s), last_s);
  const anchor = { a: file.path, a_at: moment_s - at_s, b: other.path, b_at: moment_s, hard: true, uncertainty_s: BY_HAND_S };
  anchors = [...anchors.filter((a) => a.a !== file.path), anchor];
  $('place').close();
  await alignNow();
});
$('place-close').addEventListener('click', () => $('place').close());
$('place').addEventListener('close', () => { stopPlaying(); placing = undefined; });
addEventListener('resize', draw);

ready.then(() => {
  isReady = true;
  say(chosen.size > 1 ? `${chosen.size} files. Click Align when you have added all of them.` : 'Ready. Choose at least two recordings.');
  show();
}, (e) => complain(new CoevalError('broken', `the engine cannot run in this browser: ${e.message}`)));
show();
