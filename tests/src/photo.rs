//! Photos that say when they were taken, byte by byte (Exif 2.32, CIPA DC-008-2019, 4.5 to 4.7; TIFF 6.0, section 2).

/// A JPEG without a picture, whose Exif has the time of exposure, and its distance from UTC if given.
pub fn jpeg(taken: &str, ahead: Option<&str>) -> Vec<u8> {
    const ASCII: u16 = 2;
    const LONG: u16 = 4;
    let mut tags: Vec<(u16, &str)> = ahead.map(|a| (0x9011, a)).into_iter().collect();
    tags.insert(0, (0x9003, taken));
    // Header, and a directory of one entry that leads to Exif's own.
    let mut tiff = b"II*\0\x08\0\0\0\x01\0".to_vec();
    let own = 8 + 2 + 12 + 4;
    let entry = |tiff: &mut Vec<u8>, tag: u16, kind: u16, count: u32, value: u32| {
        tiff.extend(tag.to_le_bytes());
        tiff.extend(kind.to_le_bytes());
        tiff.extend(count.to_le_bytes());
        tiff.extend(value.to_le_bytes());
    };
    entry(&mut tiff, 0x8769, LONG, 1, own);
    tiff.extend([0; 4]);
    tiff.extend((tags.len() as u16).to_le_bytes());
    let mut at = own + 2 + 12 * tags.len() as u32 + 4;
    for (tag, text) in &tags {
        entry(&mut tiff, *tag, ASCII, text.len() as u32 + 1, at);
        at += text.len() as u32 + 1;
    }
    tiff.extend([0; 4]);
    for (_, text) in &tags {
        tiff.extend(text.bytes());
        tiff.push(0);
    }
    let mut jpeg = vec![0xFF, 0xD8, 0xFF, 0xE1];
    jpeg.extend((tiff.len() as u16 + 8).to_be_bytes());
    jpeg.extend(b"Exif\0\0");
    jpeg.extend(tiff);
    jpeg.extend([0xFF, 0xD9]);
    jpeg
}
