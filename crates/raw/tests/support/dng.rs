//! A minimal uncompressed DNG, written field by field so that tests can bend each one.

/// TIFF field types.
const BYTE: u16 = 1;
const ASCII: u16 = 2;
const SHORT: u16 = 3;
const LONG: u16 = 4;
const RATIONAL: u16 = 5;

/// A DNG to be written; start from [`Dng::cfa`] or [`Dng::mono`].
#[derive(Clone)]
pub struct Dng {
    pub big_endian: bool,
    pub width: u32,
    pub height: u32,
    pub bits: u16,
    pub rows_per_strip: u32,
    /// Samples, `width * height` of them.
    pub samples: Vec<u16>,
    /// More fields: tag, type, values.
    pub fields: Vec<(u16, u16, Vec<u32>)>,
    pub texts: Vec<(u16, &'static str)>,
    /// The EXIF directory; none when empty.
    pub exif: Vec<(u16, u16, Vec<u32>)>,
    pub exif_texts: Vec<(u16, &'static str)>,
    /// The only strip, when it is not the samples as they are.
    pub encoded: Option<Vec<u8>>,
}

impl Dng {
    pub fn cfa(width: u32, height: u32, samples: Vec<u16>, pattern: [u32; 4]) -> Self {
        let mut dng = Self::mono(width, height, samples);
        dng.set(262, SHORT, vec![32803]);
        dng.set(33421, SHORT, vec![2, 2]);
        dng.set(33422, BYTE, pattern.to_vec());
        dng
    }

    pub fn mono(width: u32, height: u32, samples: Vec<u16>) -> Self {
        Self {
            big_endian: false,
            width,
            height,
            bits: 16,
            rows_per_strip: height,
            samples,
            fields: vec![
                (254, LONG, vec![0]),
                (259, SHORT, vec![1]),
                (262, SHORT, vec![34892]),
                (277, SHORT, vec![1]),
                (50706, BYTE, vec![1, 4, 0, 0]),
            ],
            texts: vec![(271, "Nordlys"), (272, "NX-1")],
            exif: Vec::new(),
            exif_texts: Vec::new(),
            encoded: None,
        }
    }

    /// Sets a field, in place of an earlier one.
    pub fn set(&mut self, tag: u16, field_type: u16, values: Vec<u32>) {
        self.fields.retain(|(known, ..)| *known != tag);
        self.fields.push((tag, field_type, values));
    }

    pub fn short(&mut self, tag: u16, values: &[u32]) {
        self.set(tag, SHORT, values.to_vec());
    }

    pub fn long(&mut self, tag: u16, values: &[u32]) {
        self.set(tag, LONG, values.to_vec());
    }

    /// Rationals as numerator, denominator, numerator, ...
    pub fn rational(&mut self, tag: u16, values: &[u32]) {
        self.set(tag, RATIONAL, values.to_vec());
    }

    pub fn bytes(&self) -> Vec<u8> {
        let strips = self.strips();
        let mut fields = self.fields.clone();
        let lengths: Vec<u32> = strips.iter().map(|strip| strip.len() as u32).collect();
        fields.extend([
            (256, LONG, vec![self.width]),
            (257, LONG, vec![self.height]),
            (258, SHORT, vec![u32::from(self.bits)]),
            (273, LONG, vec![0; strips.len()]),
            (278, LONG, vec![self.rows_per_strip]),
            (279, LONG, lengths.clone()),
        ]);
        let has_exif = !self.exif.is_empty() || !self.exif_texts.is_empty();
        if has_exif {
            fields.push((34665, LONG, vec![0]));
        }
        // Strips lie in reverse order: nobody may rely on their being in sequence.
        let total: u32 = lengths.iter().sum();
        let header = self.directory(8, &fields, &self.texts).len() as u32 + 8;
        let exif = self.directory(header, &self.exif, &self.exif_texts);
        let exif = if has_exif { exif } else { Vec::new() };
        let mut end = header + exif.len() as u32 + total;
        let offsets: Vec<u32> = lengths
            .iter()
            .map(|length| {
                end -= length;
                end
            })
            .collect();
        for (tag, _, values) in &mut fields {
            match *tag {
                273 => values.clone_from(&offsets),
                34665 => *values = vec![header],
                _ => {}
            }
        }
        let mut bytes = Vec::new();
        bytes.extend(if self.big_endian { b"MM" } else { b"II" });
        bytes.extend(self.u16(42));
        bytes.extend(self.u32(8));
        bytes.extend(self.directory(8, &fields, &self.texts));
        bytes.extend(exif);
        strips.iter().rev().for_each(|strip| bytes.extend(strip));
        bytes
    }

    /// A directory at `offset`, and the values that do not fit into it.
    fn directory(
        &self,
        offset: u32,
        fields: &[(u16, u16, Vec<u32>)],
        texts: &[(u16, &str)],
    ) -> Vec<u8> {
        let mut encoded: Vec<(u16, u16, u32, Vec<u8>)> = fields
            .iter()
            .map(|(tag, field_type, values)| self.encode(*tag, *field_type, values))
            .collect();
        for (tag, text) in texts {
            let bytes: Vec<u8> = text.bytes().chain([0]).collect();
            encoded.push((*tag, ASCII, bytes.len() as u32, bytes));
        }
        encoded.sort_by_key(|(tag, ..)| *tag);
        let mut head = Vec::new();
        head.extend(self.u16(encoded.len() as u16));
        let tail_start = offset as usize + head.len() + 12 * encoded.len() + 4;
        let mut tail = Vec::new();
        for (tag, field_type, count, mut value) in encoded {
            head.extend(self.u16(tag));
            head.extend(self.u16(field_type));
            head.extend(self.u32(count));
            if value.len() <= 4 {
                value.resize(4, 0);
                head.extend(value);
            } else {
                head.extend(self.u32((tail_start + tail.len()) as u32));
                tail.extend(value);
                tail.resize(tail.len().next_multiple_of(2), 0);
            }
        }
        head.extend(self.u32(0));
        head.extend(tail);
        head
    }

    fn encode(&self, tag: u16, field_type: u16, values: &[u32]) -> (u16, u16, u32, Vec<u8>) {
        let n = values.len() as u32;
        let values = values.iter();
        let (count, bytes) = match field_type {
            BYTE => (n, values.map(|&v| v as u8).collect()),
            SHORT => (n, values.flat_map(|&v| self.u16(v as u16)).collect()),
            RATIONAL => (n / 2, values.flat_map(|&v| self.u32(v)).collect()),
            _ => (n, values.flat_map(|&v| self.u32(v)).collect()),
        };
        (tag, field_type, count, bytes)
    }

    fn strips(&self) -> Vec<Vec<u8>> {
        if let Some(encoded) = &self.encoded {
            return vec![encoded.clone()];
        }
        let rows: Vec<_> = self.samples.chunks(self.width as usize).collect();
        rows.chunks(self.rows_per_strip as usize)
            .map(|rows| rows.iter().flat_map(|row| self.pack(row)).collect())
            .collect()
    }

    fn pack(&self, row: &[u16]) -> Vec<u8> {
        match self.bits {
            8 => row.iter().map(|&v| v as u8).collect(),
            16 => row.iter().flat_map(|&v| self.u16(v)).collect(),
            bits => {
                let (mut bytes, mut held, mut n_held) = (Vec::new(), 0_u64, 0);
                for &value in row {
                    held = held << bits | u64::from(value);
                    n_held += bits;
                    while n_held >= 8 {
                        n_held -= 8;
                        bytes.push((held >> n_held) as u8);
                    }
                }
                if n_held > 0 {
                    bytes.push((held << (8 - n_held)) as u8);
                }
                bytes
            }
        }
    }

    fn u16(&self, value: u16) -> [u8; 2] {
        if self.big_endian {
            value.to_be_bytes()
        } else {
            value.to_le_bytes()
        }
    }

    fn u32(&self, value: u32) -> [u8; 4] {
        if self.big_endian {
            value.to_be_bytes()
        } else {
            value.to_le_bytes()
        }
    }
}
