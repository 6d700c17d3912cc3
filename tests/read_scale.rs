//! Scales read off pictures with nothing typed: phantoms with strips, pictures without a scale, and contradicting tags.
//!
//! The true pixel sizes are those that the phantoms were drawn with. `cargo bench --bench scale_phantoms` and
//! `--bench scale_bars` score many more, real ones among them.

use ceramograph::grid::Grid;
use ceramograph::micrograph::{Grey, Micrograph, info_strip};
use ceramograph::phantom::draw;
use ceramograph::phantom::lettering::Typeface;
use ceramograph::phantom::spec::PhantomSpec;
use ceramograph::phantom::strip::{BarShape, Spelling, StripPlace, StripSpec, StripTone};
use ceramograph::scale::{Scale, ScaleClaim, ScaleOptions, ScaleSource, determine};
use ceramograph::warning::Warning;

fn read(grey: Grey, claims: Vec<ScaleClaim>) -> (Option<Scale>, Vec<Warning>) {
    let strip = info_strip::find(&grey);
    let micrograph = Micrograph { grey, claims, warnings: Vec::new() };
    let read = determine(&micrograph, strip, &ScaleOptions::default()).unwrap();
    (read.scale, read.warnings)
}

fn with_strip(um_per_px: f64, strip: StripSpec) -> Grey {
    let spec = PhantomSpec {
        width_px: 800,
        height_px: 500,
        um_per_px,
        strip: Some(strip),
        ..PhantomSpec::default()
    };
    draw(&spec).unwrap().grey
}

fn claim(um: f64) -> ScaleClaim {
    ScaleClaim {
        source: ScaleSource::InstrumentTag,
        detail: format!("PixelSize = {um} µm"),
        um_per_px_x: um,
        um_per_px_y: um,
    }
}

#[test]
fn bars_of_every_kind_are_read_with_their_label() {
    let kinds = [
        (BarShape::Solid, StripTone::LightOnDark, Typeface::Sans, Spelling::Spaced, StripPlace::Below),
        (BarShape::Solid, StripTone::DarkOnLight, Typeface::Serif, Spelling::Point, StripPlace::Panel),
        (BarShape::Bracket, StripTone::LightOnDark, Typeface::Bold, Spelling::Tight, StripPlace::Below),
        (BarShape::Ticks, StripTone::DarkOnLight, Typeface::Condensed, Spelling::Letter, StripPlace::Below),
        (BarShape::Ticks, StripTone::LightOnDark, Typeface::Mono, Spelling::Comma, StripPlace::Below),
    ];
    for (bar, tone, typeface, spelling, place) in kinds {
        for um_per_px in [0.0023, 0.047, 0.31, 4.4] {
            let strip = StripSpec { bar, tone, typeface, spelling, place, ..StripSpec::default() };
            let (scale, warnings) = read(with_strip(um_per_px, strip), Vec::new());
            let scale = scale.unwrap_or_else(|| panic!("{bar:?} {spelling:?} {um_per_px}: {warnings:?}"));
            assert_eq!(scale.source, ScaleSource::ReadBar);
            // A length in whole px is within half a px of what it stands for; a bar has 100 px and more.
            assert!((scale.um_per_px / um_per_px - 1.0).abs() < 0.01, "{bar:?} {um_per_px}: {scale:?}");
            assert!(warnings.is_empty(), "{warnings:?}");
        }
    }
}

/// The columns of a picture from `from` to before `to`.
fn columns(grey: &Grey, from: usize, to: usize) -> Grey {
    let Grey::Eight(grid) = grey else { panic!("8 bit") };
    Grey::Eight(Grid::from_fn(to - from, grid.height(), |x, y| grid.at(from + x, y)))
}

#[test]
fn wherever_a_picture_is_cropped_its_scale_is_right_or_not_told() {
    const UM_PER_PX: f64 = 0.047;
    let (mut told, mut not_told) = (0, 0);
    for bar in [BarShape::Solid, BarShape::Bracket, BarShape::Ticks] {
        for tone in [StripTone::LightOnDark, StripTone::DarkOnLight] {
            let whole = with_strip(UM_PER_PX, StripSpec { bar, tone, ..StripSpec::default() });
            // Bar and label stand at the right end.
            let cut_right = (620..=800).step_by(6).map(|to| (0, to));
            let cut_left = (420..760).step_by(17).map(|from| (from, 800));
            for (from, to) in cut_right.chain(cut_left) {
                match read(columns(&whole, from, to), Vec::new()).0 {
                    None => not_told += 1,
                    Some(scale) => {
                        told += 1;
                        let off = (scale.um_per_px / UM_PER_PX - 1.0).abs();
                        assert!(off < 0.01, "{bar:?} {tone:?} {from}..{to}: {scale:?}");
                    }
                }
            }
        }
    }
    assert!(told > 50 && not_told > 50, "{told} told, {not_told} not");
}

#[test]
fn brackets_are_read_however_short_their_label_leaves_the_arms() {
    // Lengths of 119 to 238 px, of which a wide label takes more than half.
    for (um_per_px, typeface) in [(0.0042, Typeface::Bold), (0.17, Typeface::Mono), (0.0021, Typeface::Serif)]
    {
        for (tone, place) in
            [(StripTone::LightOnDark, StripPlace::Below), (StripTone::DarkOnLight, StripPlace::Panel)]
        {
            let strip = StripSpec {
                bar: BarShape::Bracket,
                tone,
                typeface,
                spelling: Spelling::Comma,
                place,
                ..StripSpec::default()
            };
            let (scale, warnings) = read(with_strip(um_per_px, strip), Vec::new());
            let scale = scale.unwrap_or_else(|| panic!("{um_per_px} {tone:?}: {warnings:?}"));
            // The ends of the bar are known to half a px, of at least 100.
            assert!((scale.um_per_px / um_per_px - 1.0).abs() < 0.01, "{um_per_px}: {scale:?}");
        }
    }
}

#[test]
fn a_tag_that_agrees_confirms_and_one_that_does_not_is_named() {
    let grey = with_strip(0.05, StripSpec::default());
    let (scale, warnings) = read(grey.clone(), vec![claim(0.0501)]);
    let scale = scale.unwrap();
    // Of two that agree the tag is the more precise: the ends of the bar add to the calibration that both rest on.
    assert_eq!(
        (scale.source, &*scale.confirmed_by),
        (ScaleSource::InstrumentTag, &[ScaleSource::ReadBar][..])
    );
    assert!(warnings.is_empty(), "{warnings:?}");
    let (scale, warnings) = read(grey.clone(), vec![claim(0.1)]);
    assert!(scale.unwrap().confirmed_by.is_empty());
    assert_eq!(warnings[0].code, "scale-sources-disagree");
    // Two tags outweigh the bar: the picture was perhaps resampled with its strip copied from another.
    let other = ScaleClaim { source: ScaleSource::TiffResolution, ..claim(0.1) };
    let (scale, warnings) = read(grey, vec![claim(0.1), other]);
    assert_eq!(scale.unwrap().source, ScaleSource::InstrumentTag);
    assert_eq!(warnings[0].code, "scale-sources-disagree");
}

#[test]
fn no_scale_is_read_off_pictures_without_one() {
    let plain = PhantomSpec { width_px: 640, height_px: 480, strip: None, ..PhantomSpec::default() };
    let noise = Grid::from_fn(640, 480, |x, y| ((x * 7919 + y * 104_729) % 251) as u8);
    let captioned =
        with_strip(0.05, StripSpec { caption: "15.0 kV  8.0 mm  x5000".into(), ..StripSpec::default() });
    let Grey::Eight(mut barless) = captioned else { panic!("8 bit") };
    // The strip keeps its caption; everything of the bar and its label is painted over.
    let ground = barless.at(1, 502);
    for y in 500..barless.height() {
        barless.row_mut(y)[400..].fill(ground);
    }
    for grey in [draw(&plain).unwrap().grey, Grey::Eight(noise), Grey::Eight(barless)] {
        let (scale, warnings) = read(grey, Vec::new());
        assert!(scale.is_none(), "{scale:?}");
        assert_eq!(warnings.last().map(|w| &*w.code), Some("no-scale"));
    }
}

#[test]
fn a_line_broken_by_other_letters_than_its_label_is_not_relied_on() {
    // A label of 500 nm, in which no letter reaches down to the line.
    let Grey::Eight(mut grid) = with_strip(0.0025, StripSpec::default()) else { panic!("8 bit") };
    // The strip is 42 rows high; its bar of 200 px ends 14 px before the rim and covers rows 530 to 533.
    let (ground, ink) = (grid.at(1, 502), grid.at(600, 531));
    for y in 530..534 {
        grid.row_mut(y)[650..722].fill(ground);
    }
    for left in [662, 682, 702] {
        for y in 528..538 {
            grid.row_mut(y)[left..left + 6].fill(ink);
        }
    }
    let (scale, warnings) = read(Grey::Eight(grid), Vec::new());
    assert!(scale.is_none(), "{scale:?}");
    assert_eq!(warnings[0].code, "bar-label-doubtful");
    assert!(warnings[0].message.contains("its label does not stand in its gap"), "{warnings:?}");
}

#[test]
fn a_bar_whose_label_is_gone_is_named_but_not_used() {
    let Grey::Eight(mut grid) = with_strip(0.05, StripSpec::default()) else { panic!("8 bit") };
    let ground = grid.at(1, 502);
    // Strips are 42 rows high here, their bar in the lower third.
    for y in 500..526 {
        grid.row_mut(y).fill(ground);
    }
    let (scale, warnings) = read(Grey::Eight(grid), Vec::new());
    assert!(scale.is_none(), "{scale:?}");
    assert!(warnings[0].message.contains("no length can be read beside it"), "{warnings:?}");
}
