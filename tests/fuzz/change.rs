//! Changes of an input: which, where and to what, in numbers that proptest draws and, after a fault, makes smaller.

use proptest::prelude::*;

/// A change; each format gives the numbers a meaning of its own.
#[derive(Clone, Debug)]
pub struct Change {
    /// Kind, modulo the kinds that there are.
    pub kind: u8,
    /// Place, modulo the places that there are.
    pub place: u32,
    /// New value.
    pub value: u64,
}

pub fn change() -> impl Strategy<Value = Change> {
    (any::<u8>(), any::<u32>(), any::<u64>()).prop_map(|(kind, place, value)| Change { kind, place, value })
}

impl Change {
    /// A place among `count`, which is not zero.
    pub fn of(&self, count: usize) -> usize {
        self.place as usize % count.max(1)
    }

    /// Another number below `count`.
    pub fn second(&self, count: usize) -> usize {
        (self.value >> 32) as usize % count.max(1)
    }

    /// A number of the kind that goes wrong: none, one, the ends of ranges, small and large ones.
    pub fn number(&self) -> u64 {
        let free = self.value >> 8;
        match self.value % 20 {
            0 => 0,
            1 => 1,
            2 => 0x7f,
            3 => 0xff,
            4 => 0x100,
            5 => 0x7fff,
            6 => 0xffff,
            7 => 0x1_0000,
            8 => 0x7fff_ffff,
            9 => 0x8000_0000,
            10 => 0xffff_ffff,
            11 => u64::MAX,
            12 | 13 => free & 0xf,
            14 | 15 => free & 0xff,
            16 | 17 => free & 0x3ff,
            18 => free & 0xffff,
            _ => free,
        }
    }
}

/// Changes bytes with no regard to what they mean.
pub fn change_bytes(bytes: &mut Vec<u8>, change: &Change, others: &[Vec<u8>]) {
    if bytes.is_empty() {
        return;
    }
    let at = change.of(bytes.len());
    match change.value % 6 {
        0 => bytes[at] ^= 1 << (change.value >> 8 & 7),
        1 => bytes[at] = (change.value >> 8) as u8,
        2 => bytes.truncate(at),
        3 => {
            // The rest of another file.
            let other = &others[change.second(others.len())];
            bytes.truncate(at);
            bytes.extend_from_slice(&other[at.min(other.len())..]);
        }
        4 => {
            let end = (at + (change.value >> 8 & 63) as usize).min(bytes.len());
            bytes.drain(at..end);
        }
        _ => {
            let end = (at + (change.value >> 8 & 63) as usize).min(bytes.len());
            let piece = bytes[at..end].to_vec();
            bytes.splice(at..at, piece);
        }
    }
}

/// Bytes that look random and are the same every time.
pub fn noise(count: usize, seed: u64) -> Vec<u8> {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    let next = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 32) as u8
    };
    std::iter::repeat_with(next).take(count).collect()
}
