// An archive of blobs, uncompressed, by PKWARE's APPNOTE 6.3.10; sizes beyond 4 GiB by its ZIP64 (4.3.14, 4.5.3).

const TABLE = Uint32Array.from({ length: 256 }, (_, n) => {
  let c = n;
  for (let bit = 0; bit < 8; bit += 1) c = c & 1 ? (c >>> 1) ^ 0xedb88320 : c >>> 1;
  return c;
});

const crcOf = async (blob) => {
  let crc = 0xffffffff;
  for (let at = 0; at < blob.size; at += 1 << 23) {
    for (const byte of new Uint8Array(await blob.slice(at, at + (1 << 23)).arrayBuffer())) crc = (crc >>> 8) ^ TABLE[(crc ^ byte) & 255];
  }
  return (crc ^ 0xffffffff) >>> 0;
};

/** Fields of 2, 4 and 8 bytes, one after the other. */
const fields = (...all) => {
  const view = new DataView(new ArrayBuffer(all.reduce((sum, [size]) => sum + size, 0)));
  let at = 0;
  for (const [size, value] of all) {
    if (size === 2) view.setUint16(at, value, true);
    else if (size === 4) view.setUint32(at, value, true);
    else view.setBigUint64(at, BigInt(value), true);
    at += size;
  }
  return view.buffer;
};

const LARGE = 0xffffffff;
const TIME = 0, DATE = 0x21; // 1 January 1980: what is in an archive should not depend on when it was saved.

/** An archive of `files`, pairs of name and blob. */
export async function zip(files) {
  const [parts, list] = [[], []];
  let at = 0;
  for (const [name, blob] of files) {
    const path = new TextEncoder().encode(name);
    const crc = await crcOf(blob);
    const large = blob.size >= LARGE || at >= LARGE;
    const [size, place] = large ? [LARGE, LARGE] : [blob.size, at];
    // 4.5 of the format reads ZIP64; bit 11: the name is UTF-8.
    const common = [[2, large ? 45 : 20], [2, 0x800], [2, 0], [2, TIME], [2, DATE], [4, crc], [4, size], [4, size], [2, path.length]];
    const extra = large ? [[2, 1], [2, 24], [8, blob.size], [8, blob.size], [8, at]] : [];
    const own = large ? [[2, 1], [2, 16], [8, blob.size], [8, blob.size]] : [];
    const head = fields([4, 0x04034b50], ...common, [2, large ? 20 : 0]);
    parts.push(head, path, fields(...own), blob);
    list.push(fields([4, 0x02014b50], [2, 45], ...common, [2, large ? 28 : 0], [2, 0], [2, 0], [2, 0], [4, 0], [4, place]), path, fields(...extra));
    at += head.byteLength + path.length + (large ? 20 : 0) + blob.size;
  }
  const length = list.reduce((sum, part) => sum + part.byteLength, 0);
  const large = at >= LARGE || files.length >= 0xffff;
  const end = large ? [
    fields([4, 0x06064b50], [8, 44], [2, 45], [2, 45], [4, 0], [4, 0], [8, files.length], [8, files.length], [8, length], [8, at]),
    fields([4, 0x07064b50], [4, 0], [8, at + length], [4, 1]),
  ] : [];
  const [count, size, place] = large ? [0xffff, LARGE, LARGE] : [files.length, length, at];
  return new Blob([...parts, ...list, ...end, fields([4, 0x06054b50], [2, 0], [2, 0], [2, count], [2, count], [4, size], [4, place], [2, 0])], { type: 'application/zip' });
}
