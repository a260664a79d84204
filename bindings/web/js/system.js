// The system that the engine runs on: files, clock and chance as WASI preview 1 names them
// (https://github.com/WebAssembly/WASI, "wasi_snapshot_preview1"), and no more than the engine asks for.
// Recordings are read from the user's own files by slices; what the engine writes stays in this page.

const OK = 0, BADF = 8, EXIST = 20, INVAL = 28, IO = 29, ISDIR = 31, NOENT = 44, NOSPC = 51, NOSYS = 52, NOTDIR = 54, NOTEMPTY = 55, ROFS = 69;
const FOLDER = 3, FILE = 4, TERMINAL = 2;
/** Bytes fetched at once: after a jump, and at most where a file is read on and on. */
const [LEAST, AHEAD] = [1 << 14, 1 << 20];
/** Bytes of a written file that are kept in one piece. */
const PIECE = 1 << 22;

/** A folder: its entries by name. */
export class Folder {
  entries = new Map();
  modified = BigInt(Date.now()) * 1_000_000n;
  type = FOLDER;
  size = 0;

  /** Puts `node` at a path below this folder, and makes the folders on the way. */
  put(path, node) {
    const parts = path.split('/').filter(Boolean);
    const name = parts.pop();
    let at = this;
    for (const part of parts) {
      if (!at.entries.has(part)) at.entries.set(part, new Folder());
      at = at.entries.get(part);
      if (at.type !== FOLDER) throw new Error(`${path}: ${part} is a file`);
    }
    at.entries.set(name, node);
    return node;
  }

  /** A new file, for this folder. */
  make() { return new Made(); }

  /** All files below this folder, each with its path. */
  * files(prefix = '') {
    for (const [name, node] of this.entries) {
      if (node.type === FOLDER) yield* node.files(`${prefix}${name}/`);
      else yield [prefix + name, node];
    }
  }
}

/** A file of the user's. `read(from, to)` answers its bytes; it is read only. */
export class Given {
  type = FILE;
  window = new Uint8Array(0);
  start = 0;
  next = 0;
  ahead = LEAST;
  reached = 0;

  constructor(path, size, modifiedMs, read) {
    this.path = path;
    this.size = size;
    this.modified = BigInt(Math.round(modifiedMs)) * 1_000_000n;
    this.fetch = read;
  }

  read(at, out) {
    const end = Math.min(at + out.length, this.size);
    if (at >= end) return 0;
    if (at < this.start || end > this.start + this.window.length) {
      // A picture's bytes between pieces of sound are jumped over; the longer it is read on, the more is fetched at once.
      this.ahead = at === this.next ? Math.min(2 * this.ahead, AHEAD) : LEAST;
      this.window = this.fetch(at, Math.min(Math.max(end, at + this.ahead), this.size));
      this.start = at;
    }
    const bytes = this.window.subarray(at - this.start, end - this.start);
    out.set(bytes);
    this.next = at + bytes.length;
    this.reached = Math.max(this.reached, this.next);
    return bytes.length;
  }
}

const reader = typeof FileReaderSync === 'undefined' ? null : new FileReaderSync();

/** What was read last of files that do not lie in memory: 32 MiB in blocks, by file and place, the oldest first. The engine
 *  reads some kilobytes at a time, and each reading from outside takes the browser a message to another process. */
const [BLOCK, KEPT] = [1 << 16, 512];
const blocks = new Map();
const block = (key, load) => {
  const bytes = blocks.get(key) ?? load();
  blocks.delete(key);
  blocks.set(key, bytes);
  if (blocks.size > KEPT) blocks.delete(blocks.keys().next().value);
  return bytes;
};
let lastContent = 0;
/** A name for what a file holds now. */
const content = () => { lastContent += 1; return lastContent; };

/** Goes through `length` bytes from `at` on in parts that do not cross multiples of `size`: tells the number of the part, the
 *  place within it, how much is done, and how much comes now. */
const parted = (at, length, size, work) => {
  for (let done = 0; done < length;) {
    const place = (at + done) % size;
    const n = Math.min(size - place, length - done);
    work(Math.floor((at + done) / size), place, done, n);
    done += n;
  }
};

/** A file that the engine makes. Where the browser can read it back, all but the piece in hand lies in blobs, which the
 *  browser moves to disk when they are many. */
export class Made {
  type = FILE;
  size = 0;
  pieces = [];
  hot = -1;
  content = content();
  modified = BigInt(Date.now()) * 1_000_000n;

  /** Piece `index` in memory, with room for `bytes`. */
  piece(index, bytes) {
    if (index !== this.hot && reader) {
      const cold = this.pieces[this.hot];
      if (cold instanceof Uint8Array) this.pieces[this.hot] = new Blob([cold]);
    }
    this.hot = index;
    while (this.pieces.length <= index) this.pieces.push(new Uint8Array(0));
    let piece = this.pieces[index];
    if (piece instanceof Blob) {
      piece = new Uint8Array(reader.readAsArrayBuffer(piece));
      this.content = content();
    }
    if (piece.length < bytes) {
      const larger = new Uint8Array(Math.min(PIECE, Math.max(bytes, 2 * piece.length)));
      larger.set(piece);
      piece = larger;
    }
    this.pieces[index] = piece;
    return piece;
  }

  /** Block `index` of it; may end before it is full. */
  block(index) {
    const piece = this.pieces[Math.floor((index * BLOCK) / PIECE)] ?? new Uint8Array(0);
    const from = (index * BLOCK) % PIECE;
    if (!(piece instanceof Blob)) return piece.subarray(from, from + BLOCK);
    return block(`${this.content} ${index}`, () => new Uint8Array(reader.readAsArrayBuffer(piece.slice(from, from + BLOCK))));
  }

  read(at, out) {
    const length = Math.max(0, Math.min(out.length, this.size - at));
    parted(at, length, BLOCK, (index, place, done, n) => {
      const there = this.block(index).subarray(place, place + n);
      out.set(there, done);
      // What was never written is nothing.
      out.fill(0, done + there.length, done + n);
    });
    return length;
  }

  write(at, bytes) {
    parted(at, bytes.length, PIECE, (index, place, done, n) => this.piece(index, place + n).set(bytes.subarray(done, done + n), place));
    this.size = Math.max(this.size, at + bytes.length);
    this.modified = BigInt(Date.now()) * 1_000_000n;
  }

  resize(size) {
    if (size < this.size) {
      const last = Math.ceil(size / PIECE);
      this.pieces.length = Math.min(this.pieces.length, last);
      this.hot = -1;
      // What is cut off must not come back when the file grows again.
      if (size % PIECE && this.pieces.length === last) this.piece(last - 1, 0).fill(0, size % PIECE);
    }
    this.size = size;
    this.content = content();
  }

  /** The whole of it. */
  blob() {
    const parts = [];
    parted(0, this.size, PIECE, (index, place, done, n) => {
      const piece = this.pieces[index] ?? new Uint8Array(0);
      const there = piece instanceof Blob ? piece.size : piece.length;
      parts.push(piece instanceof Blob ? piece.slice(0, n) : piece.subarray(0, n));
      if (there < n) parts.push(new Uint8Array(n - there));
    });
    return new Blob(parts);
  }
}

/** A file of the browser's private file system, by its synchronous handle. */
class Spilled extends Made {
  constructor(handle) {
    super();
    handle.truncate(0);
    this.handle = handle;
  }

  block(index) {
    return block(`${this.content} ${index}`, () => {
      const bytes = new Uint8Array(BLOCK);
      return bytes.subarray(0, this.handle.read(bytes, { at: index * BLOCK }));
    });
  }

  write(at, bytes) {
    this.handle.write(bytes, { at });
    parted(at, bytes.length, BLOCK, (index) => blocks.delete(`${this.content} ${index}`));
    this.size = Math.max(this.size, at + bytes.length);
  }

  resize(size) {
    this.handle.truncate(size);
    this.size = size;
    this.content = content();
  }
}

/** The folder for temporary files. The first of them, which holds what is compared of long recordings, lies in the browser's
 *  private file system if `handle` is a file there. */
export class Temporary extends Folder {
  constructor(handle) {
    super();
    this.handle = handle;
  }

  make() {
    const { handle } = this;
    this.handle = undefined;
    return handle ? new Spilled(handle) : super.make();
  }
}

/** Thrown through the engine when it ends. */
class Exit {
  constructor(code) { this.code = code; }
}

/** Runs the engine with the command line `args` on the files below `root`; `onOut` and `onError` get lines. Answers the
 *  exit code. `onReading` is told which of the user's files is read. */
export function run(module, { args, root, onOut, onError, onReading }) {
  let memory;
  let seen = new DataView(new ArrayBuffer(0));
  // Made anew only where the memory has grown: the engine calls some hundred thousand times.
  const view = () => {
    if (seen.buffer !== memory.buffer) seen = new DataView(memory.buffer);
    return seen;
  };
  const bytes = (at, length) => new Uint8Array(memory.buffer, at, length);
  const [encoder, decoder] = [new TextEncoder(), new TextDecoder()];
  const text = (at, length) => decoder.decode(bytes(at, length));
  const line = (say) => {
    const own = new TextDecoder();
    let begun = '';
    return (part) => {
      const lines = (begun + own.decode(part, { stream: true })).split('\n');
      begun = lines.pop();
      lines.forEach(say);
    };
  };
  const open = new Map([
    [0, { node: { type: TERMINAL, size: 0, modified: 0n } }],
    [1, { node: { type: TERMINAL, size: 0, modified: 0n }, say: line(onOut) }],
    [2, { node: { type: TERMINAL, size: 0, modified: 0n }, say: line(onError) }],
    [3, { node: root, at: 0 }],
  ]);
  let nextFd = 4;
  const numbers = new WeakMap();
  let nextNumber = 1n;
  const number = (node) => {
    if (!numbers.has(node)) numbers.set(node, nextNumber++);
    return numbers.get(node);
  };

  /** Folder, name and node of a path below an open folder, or an error's number. */
  const find = (fd, at, length) => {
    const base = open.get(fd)?.node;
    if (!base) return BADF;
    const way = [base];
    const parts = text(at, length).split('/').filter((part) => part && part !== '.');
    let name = '.';
    for (const [i, part] of parts.entries()) {
      const folder = way.at(-1);
      if (folder.type !== FOLDER) return NOTDIR;
      name = part;
      if (part === '..') {
        if (way.length > 1) way.pop();
        continue;
      }
      const node = folder.entries.get(part);
      if (!node) return i === parts.length - 1 ? { folder, name } : NOENT;
      way.push(node);
    }
    return { folder: way.at(-2), name, node: way.at(-1) };
  };
  const stat = (node, at) => {
    const v = view();
    bytes(at, 64).fill(0);
    v.setBigUint64(at + 8, number(node), true);
    v.setUint8(at + 16, node.type);
    v.setBigUint64(at + 24, 1n, true);
    v.setBigUint64(at + 32, BigInt(node.size), true);
    for (const time of [40, 48, 56]) v.setBigUint64(at + time, node.modified, true);
    return OK;
  };
  const setTimes = (node, modified, flags) => {
    if (flags & 4) node.modified = modified;
    if (flags & 8) node.modified = BigInt(Date.now()) * 1_000_000n;
    return OK;
  };
  const transfer = (fd, at, count, from, doneAt, work) => {
    const file = open.get(fd);
    if (!file) return BADF;
    if (file.node.type === FOLDER) return ISDIR;
    const v = view();
    let done = 0;
    for (let i = 0; i < count; i += 1) {
      const span = bytes(v.getUint32(at + 8 * i, true), v.getUint32(at + 8 * i + 4, true));
      const n = work(file, from === undefined ? file.at + done : from + done, span);
      if (n < 0) return -n;
      done += n;
      if (n < span.length) break;
    }
    if (from === undefined) file.at += done;
    v.setUint32(doneAt, done, true);
    return OK;
  };
  const reading = (file, at, out) => {
    if (file.node.type === TERMINAL) return 0;
    if (file.node instanceof Given) onReading?.(file.node);
    try {
      return file.node.read(at, out);
    } catch (e) {
      // A file that was moved away, or changed since it was chosen.
      return e?.name === 'NotFoundError' ? -NOENT : -IO;
    }
  };
  const writing = (file, at, part) => {
    if (file.say) file.say(part);
    else if (!(file.node instanceof Made)) return -ROFS;
    else {
      try {
        file.node.write(file.append ? file.node.size : at, part);
      } catch (e) {
        return e?.name === 'QuotaExceededError' ? -NOSPC : -IO;
      }
    }
    return part.length;
  };
  const listed = (list, pointers, buffer) => {
    let at = buffer;
    list.forEach((entry, i) => {
      view().setUint32(pointers + 4 * i, at, true);
      bytes(at, entry.length).set(entry);
      at += entry.length;
    });
    return OK;
  };
  const sizes = (list, count, size) => {
    view().setUint32(count, list.length, true);
    view().setUint32(size, list.reduce((sum, entry) => sum + entry.length, 0), true);
    return OK;
  };
  const words = args.map((arg) => encoder.encode(`${arg}\0`));

  const calls = {
    args_get: (pointers, buffer) => listed(words, pointers, buffer),
    args_sizes_get: (count, size) => sizes(words, count, size),
    environ_get: () => OK,
    environ_sizes_get: (count, size) => sizes([], count, size),
    clock_time_get: (id, _precision, at) => {
      const ms = id === 0 ? Date.now() : performance.now();
      view().setBigUint64(at, BigInt(Math.round(ms * 1e6)), true);
      return OK;
    },
    random_get: (at, length) => {
      for (let i = 0; i < length; i += 65536) crypto.getRandomValues(bytes(at + i, Math.min(65536, length - i)));
      return OK;
    },
    sched_yield: () => OK,
    proc_exit: (code) => { throw new Exit(code); },
    fd_prestat_get: (fd, at) => {
      if (fd !== 3) return BADF;
      view().setUint32(at, 0, true);
      view().setUint32(at + 4, 1, true);
      return OK;
    },
    fd_prestat_dir_name: (fd, at) => {
      if (fd !== 3) return BADF;
      bytes(at, 1).set([47]);
      return OK;
    },
    fd_fdstat_get: (fd, at) => {
      const file = open.get(fd);
      if (!file) return BADF;
      bytes(at, 24).fill(0);
      view().setUint8(at, file.node.type);
      view().setUint16(at + 2, file.append ? 1 : 0, true);
      for (const rights of [8, 16]) view().setBigUint64(at + rights, 0xffff_ffff_ffff_ffffn, true);
      return OK;
    },
    fd_fdstat_set_flags: (fd, flags) => {
      const file = open.get(fd);
      if (!file) return BADF;
      file.append = Boolean(flags & 1);
      return OK;
    },
    fd_close: (fd) => (open.delete(fd) ? OK : BADF),
    fd_sync: (fd) => (open.has(fd) ? OK : BADF),
    fd_filestat_get: (fd, at) => (open.has(fd) ? stat(open.get(fd).node, at) : BADF),
    fd_filestat_set_size: (fd, size) => {
      const node = open.get(fd)?.node;
      if (!(node instanceof Made)) return node ? ROFS : BADF;
      node.resize(Number(size));
      return OK;
    },
    fd_filestat_set_times: (fd, _read, modified, flags) => (open.has(fd) ? setTimes(open.get(fd).node, modified, flags) : BADF),
    fd_read: (fd, at, count, done) => transfer(fd, at, count, undefined, done, reading),
    fd_pread: (fd, at, count, from, done) => transfer(fd, at, count, Number(from), done, reading),
    fd_write: (fd, at, count, done) => transfer(fd, at, count, undefined, done, writing),
    fd_pwrite: (fd, at, count, from, done) => transfer(fd, at, count, Number(from), done, writing),
    fd_seek: (fd, by, whence, at) => {
      const file = open.get(fd);
      if (!file) return BADF;
      const to = [0, file.at, file.node.size][whence] + Number(by);
      if (!(to >= 0)) return INVAL;
      file.at = to;
      view().setBigUint64(at, BigInt(to), true);
      return OK;
    },
    fd_readdir: (fd, at, length, cookie, usedAt) => {
      const folder = open.get(fd)?.node;
      if (folder?.type !== FOLDER) return folder ? NOTDIR : BADF;
      let used = 0;
      const entries = [...folder.entries];
      for (let i = Number(cookie); i < entries.length && used < length; i += 1) {
        const name = encoder.encode(entries[i][0]);
        const entry = new DataView(new ArrayBuffer(24 + name.length));
        entry.setBigUint64(0, BigInt(i + 1), true);
        entry.setBigUint64(8, number(entries[i][1]), true);
        entry.setUint32(16, name.length, true);
        entry.setUint8(20, entries[i][1].type);
        const whole = new Uint8Array(entry.buffer);
        whole.set(name, 24);
        const part = whole.subarray(0, length - used);
        bytes(at + used, part.length).set(part);
        used += part.length;
      }
      view().setUint32(usedAt, used, true);
      return OK;
    },
    path_open: (fd, _follow, at, length, how, _rights, _inherited, flags, fdAt) => {
      const found = find(fd, at, length);
      if (typeof found === 'number') return found;
      let { node } = found;
      const [create, mustBeFolder, mustBeNew, empty] = [1, 2, 4, 8].map((bit) => (how & bit) !== 0);
      if (node && create && mustBeNew) return EXIST;
      if (!node) {
        if (!create) return NOENT;
        node = found.folder.make();
        found.folder.entries.set(found.name, node);
      }
      if (mustBeFolder && node.type !== FOLDER) return NOTDIR;
      if (empty) {
        if (!(node instanceof Made)) return node.type === FOLDER ? ISDIR : ROFS;
        node.resize(0);
      }
      open.set(nextFd, { node, at: 0, append: Boolean(flags & 1) });
      view().setUint32(fdAt, nextFd, true);
      nextFd += 1;
      return OK;
    },
    path_filestat_get: (fd, _follow, at, length, to) => {
      const found = find(fd, at, length);
      if (typeof found === 'number') return found;
      return found.node ? stat(found.node, to) : NOENT;
    },
    path_filestat_set_times: (fd, _follow, at, length, _read, modified, flags) => {
      const found = find(fd, at, length);
      if (typeof found === 'number') return found;
      return found.node ? setTimes(found.node, modified, flags) : NOENT;
    },
    path_create_directory: (fd, at, length) => {
      const found = find(fd, at, length);
      if (typeof found === 'number') return found;
      if (found.node) return EXIST;
      found.folder.entries.set(found.name, new Folder());
      return OK;
    },
    path_unlink_file: (fd, at, length) => {
      const found = find(fd, at, length);
      if (typeof found === 'number') return found;
      if (!found.node) return NOENT;
      if (found.node.type === FOLDER) return ISDIR;
      found.folder.entries.delete(found.name);
      return OK;
    },
    path_remove_directory: (fd, at, length) => {
      const found = find(fd, at, length);
      if (typeof found === 'number') return found;
      if (!found.node) return NOENT;
      if (found.node.type !== FOLDER) return NOTDIR;
      if (found.node.entries.size > 0) return NOTEMPTY;
      found.folder.entries.delete(found.name);
      return OK;
    },
    path_rename: (fromFd, fromAt, fromLength, toFd, toAt, toLength) => {
      const from = find(fromFd, fromAt, fromLength);
      const to = find(toFd, toAt, toLength);
      if (typeof from === 'number') return from;
      if (typeof to === 'number') return to;
      if (!from.node) return NOENT;
      if (to.node?.type === FOLDER) return EXIST;
      from.folder.entries.delete(from.name);
      to.folder.entries.set(to.name, from.node);
      return OK;
    },
    path_link: (fromFd, _follow, fromAt, fromLength, toFd, toAt, toLength) => {
      const from = find(fromFd, fromAt, fromLength);
      const to = find(toFd, toAt, toLength);
      if (typeof from === 'number') return from;
      if (typeof to === 'number') return to;
      if (!from.node) return NOENT;
      if (to.node) return EXIST;
      to.folder.entries.set(to.name, from.node);
      return OK;
    },
    // No name stands for another.
    path_readlink: () => INVAL,
  };
  // What the engine could ask for besides is answered as an old system does.
  const wasi = new Proxy(calls, { get: (all, name) => all[name] ?? (() => NOSYS), has: () => true });
  const instance = new WebAssembly.Instance(module, { wasi_snapshot_preview1: wasi });
  memory = instance.exports.memory;
  try {
    instance.exports._start();
    return 0;
  } catch (e) {
    if (e instanceof Exit) return e.code;
    throw e;
  }
}
