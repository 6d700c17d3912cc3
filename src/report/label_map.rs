//! Grain label maps as pictures that other programs read.

use crate::error::Error;
use crate::grid::{Frame, Grid, Labels};

/// A 16-bit PNG of the size of the picture: 0 = pore or outside the frame, 1..n = grains.
///
/// # Errors
/// [`Error::Labels`] if there are more labels than 16 bits hold.
pub fn png(
    labels: &Labels,
    frame: Frame,
    picture_width: usize,
    picture_height: usize,
) -> Result<Vec<u8>, Error> {
    let largest = u16::MAX;
    if labels.count > u32::from(largest) {
        return Err(Error::Labels { count: labels.count });
    }
    let mut whole = Grid::filled(picture_width, picture_height, 0u16);
    for (y, row) in labels.grid.rows().enumerate() {
        let target = &mut whole.row_mut(frame.y + y)[frame.x..frame.x + frame.width];
        for (to, &label) in target.iter_mut().zip(row) {
            *to = label as u16;
        }
    }
    let big_endian: Vec<u8> = whole.as_slice().iter().flat_map(|label| label.to_be_bytes()).collect();
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, picture_width as u32, picture_height as u32);
    encoder.set_color(png::ColorType::Grayscale);
    encoder.set_depth(png::BitDepth::Sixteen);
    encoder.set_compression(png::Compression::Fast);
    let mut writer = encoder.write_header().expect("invariant: memory takes every write");
    writer.write_image_data(&big_endian).expect("invariant: the buffer has the size of the picture");
    writer.finish().expect("invariant: memory takes every write");
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_stand_in_their_frame_and_zero_outside() {
        let labels = Labels { grid: Grid::new(2, 1, vec![1, 300]).unwrap(), count: 300 };
        let frame = Frame { x: 1, y: 0, width: 2, height: 1 };
        let bytes = png(&labels, frame, 4, 2).unwrap();
        let read = image::load_from_memory(&bytes).unwrap().into_luma16();
        assert_eq!(read.as_raw(), &[0, 1, 300, 0, 0, 0, 0, 0]);
    }

    #[test]
    fn more_labels_than_sixteen_bits_are_refused() {
        let labels = Labels { grid: Grid::new(1, 1, vec![1]).unwrap(), count: 70_000 };
        assert!(png(&labels, Frame { x: 0, y: 0, width: 1, height: 1 }, 1, 1).is_err());
    }
}
