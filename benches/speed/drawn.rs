//! Pictures to be timed on, and the array file that all contestants read.

use std::io::Read;
use std::path::Path;

use ceramograph::grid::Grid;
use ceramograph::micrograph::Grey;
use ceramograph::phantom::pores::PoreSpec;
use ceramograph::phantom::structure::{Density, Structure, StructureSpec};
use ceramograph::phantom::{Phantom, PhantomSpec, draw};

use crate::Failure;

/// Pixels for each grain of the large picture: 30 000 grains on 4096 x 4096 px.
const PX2_PER_GRAIN: f64 = 559.0;

/// A thermally etched section with fine grains and 4 % pores, without info strip.
pub fn large(width_px: usize, height_px: usize) -> Result<Grid<u8>, Failure> {
    porous(width_px, height_px, 4.0)
}

/// The same with so many percent of pores of one size.
pub fn porous(width_px: usize, height_px: usize, percent: f64) -> Result<Grid<u8>, Failure> {
    eight_bit(draw(&PhantomSpec {
        width_px,
        height_px,
        structure: StructureSpec {
            structure: Structure::Section3d { size_spread: 0.2, regularity: 0.5 },
            density: Density::GrainsPerPx2(1.0 / PX2_PER_GRAIN),
        },
        pores: PoreSpec { percent, diameter_px: 10.0, ..PoreSpec::default() },
        strip: None,
        ..PhantomSpec::default()
    })?)
}

/// A picture of 2 Mpx as a laboratory takes them, with its info strip.
pub fn usual(seed: u64) -> Result<Phantom, Failure> {
    Ok(draw(&PhantomSpec { width_px: 1632, height_px: 1224, seed, ..PhantomSpec::default() })?)
}

/// The grey levels of a drawn picture.
pub fn eight_bit(phantom: Phantom) -> Result<Grid<u8>, Failure> {
    match phantom.grey {
        Grey::Eight(grid) => Ok(grid),
        Grey::Sixteen(_) => Err("the picture was to be drawn in 8 bit".into()),
    }
}

/// Writes an array file (NPY 1.0): magic, version, length of the header, header, bytes.
pub fn write_npy(picture: &Grid<u8>, path: &Path) -> Result<(), Failure> {
    let shape = format!("({}, {})", picture.height(), picture.width());
    let mut header = format!("{{'descr': '|u1', 'fortran_order': False, 'shape': {shape}, }}");
    while (10 + header.len() + 1) % 64 != 0 {
        header.push(' ');
    }
    header.push('\n');
    let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
    bytes.extend(u16::try_from(header.len())?.to_le_bytes());
    bytes.extend(header.as_bytes());
    bytes.extend(picture.as_slice());
    Ok(std::fs::write(path, bytes)?)
}

/// Reads a picture from an array file that [`write_npy`] wrote.
pub fn read_npy(path: &Path) -> Result<Grey, Failure> {
    let mut file = std::fs::File::open(path)?;
    let mut start = [0; 10];
    file.read_exact(&mut start)?;
    let mut header = vec![0; usize::from(u16::from_le_bytes([start[8], start[9]]))];
    file.read_exact(&mut header)?;
    let mut pixels = Vec::new();
    file.read_to_end(&mut pixels)?;
    let text = String::from_utf8_lossy(&header);
    let shape = text.split(['(', ')']).nth(1).ok_or("the array file states no shape")?;
    let (height, width) = shape.split_once(", ").ok_or("the array is no picture")?;
    Ok(Grey::Eight(Grid::new(width.parse()?, height.parse()?, pixels)?))
}
