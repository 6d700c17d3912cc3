//! Maps of any size as BigTIFF, from mirrored copies of one phantom, so that nothing ends at their seams.

use std::fs::File;
use std::io::BufWriter;
use std::path::Path;

use ceramograph::micrograph::Grey;
use ceramograph::phantom::pores::PoreSpec;
use ceramograph::phantom::spec::Detector;
use ceramograph::phantom::structure::{Density, StructureSpec};
use ceramograph::phantom::{PhantomSpec, draw};
use tiff::encoder::{TiffEncoder, colortype};

/// Rows of a strip.
const STRIP_ROWS: usize = 64;

/// Writes a map of `side` by `side` px, of copies of a phantom of `tile` by `tile` px with grains of this mean intercept, seen
/// with so many counts a pixel.
pub fn write(path: &Path, side: usize, tile: usize, (intercept_px, counts): (f64, f64)) {
    let base = PhantomSpec::default();
    let spec = PhantomSpec {
        width_px: tile,
        height_px: tile,
        structure: StructureSpec { density: Density::MeanInterceptPx(intercept_px), ..base.structure },
        pores: PoreSpec { diameter_px: 0.3 * intercept_px, ..PoreSpec::default() },
        detector: Detector { counts, ..Detector::default() },
        strip: None,
        seed: 41,
        ..base
    };
    let Grey::Eight(phantom) = draw(&spec).unwrap().grey else { panic!("a phantom of 8 bits was asked for") };
    let folded = |i: usize| if i % (2 * tile) < tile { i % tile } else { tile - 1 - i % tile };
    let file = BufWriter::new(File::create(path).unwrap());
    let mut encoder = TiffEncoder::new_big(file).unwrap();
    let mut image = encoder.new_image::<colortype::Gray8>(side as u32, side as u32).unwrap();
    image.rows_per_strip(STRIP_ROWS as u32).unwrap();
    for top in (0..side).step_by(STRIP_ROWS) {
        let rows = top..(top + STRIP_ROWS).min(side);
        let strip: Vec<u8> = rows
            .flat_map(|y| {
                let row = phantom.row(folded(y));
                (0..side).map(move |x| row[folded(x)])
            })
            .collect();
        image.write_strip(&strip).unwrap();
    }
    image.finish().unwrap();
}
