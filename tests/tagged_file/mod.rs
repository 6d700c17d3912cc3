//! Writes small TIFF files of any kind, good and bad, byte by byte.

#![allow(dead_code, reason = "each test file uses its own part")]

/// The value of a tag.
#[derive(Clone)]
pub enum Value {
    Short(Vec<u16>),
    Long(Vec<u32>),
    Rational(Vec<(u32, u32)>),
    Ascii(Vec<u8>),
}

/// One directory with its pixels.
#[derive(Clone)]
pub struct TaggedFile {
    width: u32,
    height: u32,
    big_endian: bool,
    big: bool,
    tags: Vec<(u16, Value)>,
    chunks: Vec<Vec<u8>>,
    tiled: bool,
}

impl TaggedFile {
    pub fn new(width: u32, height: u32) -> Self {
        let tags = vec![
            (256, Value::Long(vec![width])),
            (257, Value::Long(vec![height])),
            (259, Value::Short(vec![1])),
        ];
        Self { width, height, big_endian: false, big: false, tags, chunks: Vec::new(), tiled: false }
    }

    pub fn order(mut self, big_endian: bool) -> Self {
        self.big_endian = big_endian;
        self
    }

    /// 64 bit offsets.
    pub fn big(mut self) -> Self {
        self.big = true;
        self
    }

    pub fn add(mut self, tag: u16, value: Value) -> Self {
        self.tags.push((tag, value));
        self
    }

    pub fn short(self, tag: u16, values: &[u16]) -> Self {
        self.add(tag, Value::Short(values.to_vec()))
    }

    pub fn long(self, tag: u16, values: &[u32]) -> Self {
        self.add(tag, Value::Long(values.to_vec()))
    }

    /// Pixels in strips of `rows` rows of `row_bytes` bytes, not yet written.
    pub fn strips_later(mut self, rows: u32, data: Vec<u8>, row_bytes: usize) -> Self {
        self.chunks = data.chunks(rows as usize * row_bytes).map(<[u8]>::to_vec).collect();
        self.long(278, &[rows])
    }

    pub fn strips(self, rows: u32, data: &[u8], row_bytes: usize) -> Vec<u8> {
        several(vec![self.strips_later(rows, data.to_vec(), row_bytes)])
    }

    /// Strips as given.
    pub fn strip_set(mut self, strips: &[&[u8]], rows: u32) -> Vec<u8> {
        self.chunks = strips.iter().map(|strip| strip.to_vec()).collect();
        several(vec![self.long(278, &[rows])])
    }

    /// 8 bit pixels in square tiles.
    pub fn tiles(mut self, side: u32, data: &[u8], row_bytes: usize) -> Vec<u8> {
        for y0 in (0..self.height).step_by(side as usize) {
            for x0 in (0..self.width).step_by(side as usize) {
                let at = |x: u32, y: u32| data.get((y * row_bytes as u32 + x) as usize).copied().unwrap_or(0);
                let inside = |x: u32, y: u32| x < self.width && y < self.height;
                let tile = (y0..y0 + side)
                    .flat_map(|y| (x0..x0 + side).map(move |x| (x, y)))
                    .map(|(x, y)| if inside(x, y) { at(x, y) } else { 0 })
                    .collect();
                self.chunks.push(tile);
            }
        }
        self.tiled = true;
        several(vec![self.long(322, &[side]).long(323, &[side])])
    }

    fn bytes16(&self, v: u16) -> [u8; 2] {
        if self.big_endian { v.to_be_bytes() } else { v.to_le_bytes() }
    }

    fn bytes32(&self, v: u32) -> [u8; 4] {
        if self.big_endian { v.to_be_bytes() } else { v.to_le_bytes() }
    }

    fn offset(&self, v: usize) -> Vec<u8> {
        match (self.big, self.big_endian) {
            (false, _) => self.bytes32(v as u32).to_vec(),
            (true, false) => (v as u64).to_le_bytes().to_vec(),
            (true, true) => (v as u64).to_be_bytes().to_vec(),
        }
    }

    /// Type, count and bytes of a value.
    fn encoded(&self, value: &Value) -> (u16, usize, Vec<u8>) {
        match value {
            Value::Short(v) => (3, v.len(), v.iter().flat_map(|&x| self.bytes16(x)).collect()),
            Value::Long(v) => (4, v.len(), v.iter().flat_map(|&x| self.bytes32(x)).collect()),
            Value::Rational(v) => (
                5,
                v.len(),
                v.iter().flat_map(|&(n, d)| [self.bytes32(n), self.bytes32(d)].concat()).collect(),
            ),
            Value::Ascii(v) => (2, v.len(), v.clone()),
        }
    }
}

/// A file of several directories, in the byte order and offset size of the first.
pub fn several(pages: Vec<TaggedFile>) -> Vec<u8> {
    let first = pages[0].clone();
    let mut file = if first.big_endian { b"MM".to_vec() } else { b"II".to_vec() };
    file.extend(first.bytes16(if first.big { 43 } else { 42 }));
    if first.big {
        file.extend(first.bytes16(8));
        file.extend(first.bytes16(0));
    }
    // Where the offset of the next directory is to be written.
    let mut link = file.len();
    file.extend(first.offset(0));
    for mut page in pages {
        page.big = first.big;
        page.big_endian = first.big_endian;
        link = append(&mut file, page, link);
    }
    file
}

fn append(file: &mut Vec<u8>, mut page: TaggedFile, link: usize) -> usize {
    let mut offsets = Vec::new();
    let mut counts = Vec::new();
    for chunk in std::mem::take(&mut page.chunks) {
        offsets.push(file.len() as u32);
        counts.push(chunk.len() as u32);
        file.extend(chunk);
    }
    let (at, size) = if page.tiled { (324, 325) } else { (273, 279) };
    page.tags.push((at, Value::Long(offsets)));
    page.tags.push((size, Value::Long(counts)));
    page.tags.sort_by_key(|&(tag, _)| tag);
    let inline = page.offset(0).len();
    let mut entries = Vec::new();
    for (tag, value) in &page.tags {
        let (kind, count, mut bytes) = page.encoded(value);
        if bytes.len() > inline {
            let place = file.len();
            file.extend(bytes);
            bytes = page.offset(place);
        }
        bytes.resize(inline, 0);
        entries.extend(page.bytes16(*tag));
        entries.extend(page.bytes16(kind));
        entries.extend(page.offset(count));
        entries.extend(bytes);
    }
    if file.len() % 2 == 1 {
        file.push(0);
    }
    let start = file.len();
    file[link..link + inline].copy_from_slice(&page.offset(start));
    match page.big {
        true => file.extend(page.offset(page.tags.len())),
        false => file.extend(page.bytes16(page.tags.len() as u16)),
    }
    file.extend(entries);
    let link = file.len();
    file.extend(page.offset(0));
    link
}

/// A PNG from its header and its filtered rows, in one uncompressed deflate block.
pub fn png_from_parts(header: &[u8], rows: &[u8]) -> Vec<u8> {
    let length = rows.len() as u16;
    let mut data = vec![0x78, 0x01, 0x01];
    data.extend(length.to_le_bytes());
    data.extend((!length).to_le_bytes());
    data.extend(rows);
    let (mut a, mut b) = (1u32, 0u32);
    for &byte in rows {
        a = (a + u32::from(byte)) % 65_521;
        b = (b + a) % 65_521;
    }
    data.extend((b << 16 | a).to_be_bytes());
    let mut file = b"\x89PNG\r\n\x1a\n".to_vec();
    for (name, content) in [(b"IHDR", header), (b"IDAT", &data), (b"IEND", &[])] {
        file.extend((content.len() as u32).to_be_bytes());
        let body = [&name[..], content].concat();
        file.extend(&body);
        file.extend(crc(&body).to_be_bytes());
    }
    file
}

/// CRC-32 as PNG uses it.
pub fn crc(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0u32, |crc, &byte| {
        (0..8).fold(crc ^ u32::from(byte), |c, _| if c & 1 == 1 { c >> 1 ^ 0xedb8_8320 } else { c >> 1 })
    })
}
