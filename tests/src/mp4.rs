//! A small writer of MP4 files, to build exactly the index that a test needs.

/// An atom of the given name.
pub fn atom(name: &[u8; 4], parts: &[&[u8]]) -> Vec<u8> {
    let body = parts.concat();
    [&((body.len() + 8) as u32).to_be_bytes()[..], name, &body].concat()
}

/// An atom with version and flags.
pub fn full(name: &[u8; 4], version: u8, flags: u32, parts: &[&[u8]]) -> Vec<u8> {
    let head = (u32::from(version) << 24 | flags).to_be_bytes();
    let body = parts.concat();
    atom(name, &[&head, &body])
}

/// Numbers, big-endian, 32 bits each.
pub fn u32s(values: &[u32]) -> Vec<u8> {
    values.iter().flat_map(|v| v.to_be_bytes()).collect()
}

/// A run of packets in the file that the sample table calls a chunk.
#[derive(Debug, Clone)]
pub struct Chunk {
    /// Offset in the file.
    pub offset: u64,
    /// Packets in it.
    pub packets: u32,
}

/// A track to be described.
#[derive(Debug, Clone)]
pub struct Track {
    /// `soun`, `vide`, `tmcd`.
    pub handler: [u8; 4],
    /// Sample description entry.
    pub entry: Vec<u8>,
    /// Ticks a second.
    pub timescale: u32,
    /// Run-length durations.
    pub stts: Vec<(u32, u32)>,
    /// Size of every packet, or of each.
    pub sizes: Sizes,
    /// Where they lie.
    pub chunks: Vec<Chunk>,
    /// Duration in movie ticks and media time in track ticks.
    pub edits: Vec<(u64, i64)>,
    /// 64-bit chunk offsets?
    pub co64: bool,
}

/// Packet sizes.
#[derive(Debug, Clone)]
pub enum Sizes {
    /// One size and a count.
    All(u32, u32),
    /// A size each.
    Each(Vec<u32>),
}

/// The entry of 16-bit little-endian PCM, QuickTime's way.
pub fn sowt(rate: u32, channels: u16) -> Vec<u8> {
    sound_entry(b"sowt", rate, channels, &[])
}

/// A sound sample description, version 0.
pub fn sound_entry(name: &[u8; 4], rate: u32, channels: u16, children: &[u8]) -> Vec<u8> {
    let mut b = vec![0; 6];
    b.extend(1u16.to_be_bytes());
    b.extend([0; 8]);
    b.extend(channels.to_be_bytes());
    b.extend(16u16.to_be_bytes());
    b.extend([0; 4]);
    b.extend((rate << 16).to_be_bytes());
    b.extend(children);
    atom(name, &[&b])
}

/// The entry of AAC with its AudioSpecificConfig.
pub fn mp4a(rate: u32, channels: u16, asc: &[u8]) -> Vec<u8> {
    let specific = [&[5, asc.len() as u8], asc].concat();
    let config = [&[4, (13 + specific.len()) as u8, 0x40, 0x15][..], &[0; 11], &specific].concat();
    let es = [&[3, (3 + config.len()) as u8, 0, 0, 0][..], &config].concat();
    sound_entry(b"mp4a", rate, channels, &full(b"esds", 0, 0, &[&es]))
}

/// A picture's entry of 1920 by 1080.
pub fn avc1() -> Vec<u8> {
    let mut b = vec![0; 24];
    b.extend(1920u16.to_be_bytes());
    b.extend(1080u16.to_be_bytes());
    b.extend([0; 50]);
    atom(b"avc1", &[&b])
}

/// Packets of an ADTS stream, and the AudioSpecificConfig that its headers stand for.
pub fn adts(mut b: &[u8]) -> (Vec<Vec<u8>>, Vec<u8>) {
    let (profile, rate_index) = (b[2] >> 6, b[2] >> 2 & 15);
    let channels = (b[2] & 1) << 2 | b[3] >> 6;
    let asc = vec![(profile + 1) << 3 | rate_index >> 1, rate_index << 7 | channels << 3];
    let mut packets = Vec::new();
    while b.len() > 7 {
        let len = usize::from(b[3] & 3) << 11 | usize::from(b[4]) << 3 | usize::from(b[5] >> 5);
        let header = if b[1] & 1 == 1 { 7 } else { 9 };
        packets.push(b[header..len].to_vec());
        b = &b[len..];
    }
    (packets, asc)
}

fn stbl(t: &Track) -> Vec<u8> {
    let stsd = full(b"stsd", 0, 0, &[&u32s(&[1]), &t.entry]);
    let stts: Vec<u32> = t.stts.iter().flat_map(|(n, d)| [*n, *d]).collect();
    let stts = full(b"stts", 0, 0, &[&u32s(&[t.stts.len() as u32]), &u32s(&stts)]);
    let stsz = match &t.sizes {
        Sizes::All(size, count) => full(b"stsz", 0, 0, &[&u32s(&[*size, *count])]),
        Sizes::Each(sizes) => full(b"stsz", 0, 0, &[&u32s(&[0, sizes.len() as u32]), &u32s(sizes)]),
    };
    let mut runs: Vec<[u32; 3]> = Vec::new();
    for (i, c) in t.chunks.iter().enumerate() {
        if runs.last().is_none_or(|r| r[1] != c.packets) {
            runs.push([i as u32 + 1, c.packets, 1]);
        }
    }
    let stsc = full(b"stsc", 0, 0, &[&u32s(&[runs.len() as u32]), &u32s(&runs.concat())]);
    let count = u32s(&[t.chunks.len() as u32]);
    let offsets = if t.co64 {
        let raw: Vec<u8> = t.chunks.iter().flat_map(|c| c.offset.to_be_bytes()).collect();
        full(b"co64", 0, 0, &[&count, &raw])
    } else {
        let raw: Vec<u32> = t.chunks.iter().map(|c| c.offset as u32).collect();
        full(b"stco", 0, 0, &[&count, &u32s(&raw)])
    };
    atom(b"stbl", &[&stsd, &stts, &stsc, &stsz, &offsets])
}

/// The index of a movie whose clock has `movie_scale` ticks a second; `extends` makes it one of fragments.
pub fn moov(movie_scale: u32, tracks: &[Track], extends: bool) -> Vec<u8> {
    // 2024-05-17 10:00:00 UTC, in seconds since 1904.
    let created = 3_798_784_800u32;
    let mvhd = full(b"mvhd", 0, 0, &[&u32s(&[created, created, movie_scale, 0, 0x1_0000]), &[0; 76]]);
    let mut parts = vec![mvhd];
    for (i, t) in tracks.iter().enumerate() {
        let id = i as u32 + 1;
        let tkhd = full(b"tkhd", 0, 3, &[&u32s(&[created, created, id, 0, 0]), &[0; 60]]);
        let mdhd = full(b"mdhd", 0, 0, &[&u32s(&[created, created, t.timescale, 0, 0])]);
        let hdlr = full(b"hdlr", 0, 0, &[&[0; 4], &t.handler, &[0; 13]]);
        let mdia = atom(b"mdia", &[&mdhd, &hdlr, &atom(b"minf", &[&stbl(t)])]);
        let mut edts = Vec::new();
        if !t.edits.is_empty() {
            let mut list = u32s(&[t.edits.len() as u32]);
            for (duration, media_time) in &t.edits {
                list.extend(duration.to_be_bytes());
                list.extend(media_time.to_be_bytes());
                list.extend(u32s(&[0x1_0000]));
            }
            edts = atom(b"edts", &[&full(b"elst", 1, 0, &[&list])]);
        }
        parts.push(atom(b"trak", &[&tkhd, &edts, &mdia]));
    }
    if extends {
        let trex: Vec<Vec<u8>> =
            (1..=tracks.len() as u32).map(|id| full(b"trex", 0, 0, &[&u32s(&[id, 1, 0, 0, 0])])).collect();
        parts.push(atom(b"mvex", &[&trex.concat()]));
    }
    atom(b"moov", &[&parts.concat()])
}

/// A fragment of one track: packets, each `delta` ticks long, from `decode_time` ticks on.
pub fn fragment(track_id: u32, decode_time: u64, delta: u32, packets: &[Vec<u8>]) -> Vec<u8> {
    let sizes: Vec<u32> = packets.iter().map(|p| p.len() as u32).collect();
    let build = |data_offset: u32| {
        let tfhd = full(b"tfhd", 0, 0x2_0008, &[&u32s(&[track_id, delta])]);
        let tfdt = full(b"tfdt", 1, 0, &[&decode_time.to_be_bytes()]);
        let trun = full(b"trun", 0, 0x201, &[&u32s(&[sizes.len() as u32, data_offset]), &u32s(&sizes)]);
        let mfhd = full(b"mfhd", 0, 0, &[&u32s(&[1])]);
        atom(b"moof", &[&mfhd, &atom(b"traf", &[&tfhd, &tfdt, &trun])])
    };
    let moof_len = build(0).len() as u32;
    [build(moof_len + 8), atom(b"mdat", &[&packets.concat()])].concat()
}

/// `ftyp`, `mdat` and `moov` of one sound track whose packets lie in chunks of `per_chunk`, with a byte
/// of padding between chunks.
pub fn whole(movie_scale: u32, mut track: Track, packets: &[Vec<u8>], per_chunk: usize) -> Vec<u8> {
    let ftyp = atom(b"ftyp", &[b"isom\0\0\0\0isom"]);
    let mut data = Vec::new();
    track.chunks = packets
        .chunks(per_chunk)
        .map(|c| {
            data.push(0xAA);
            let offset = (ftyp.len() + 8 + data.len()) as u64;
            data.extend(c.concat());
            Chunk { offset, packets: c.len() as u32 }
        })
        .collect();
    if let Sizes::Each(sizes) = &mut track.sizes {
        *sizes = packets.iter().map(|p| p.len() as u32).collect();
    }
    [ftyp, atom(b"mdat", &[&data]), moov(movie_scale, &[track], false)].concat()
}
