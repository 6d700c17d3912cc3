//! Specs drawn at random, for training and for tests over many kinds of pictures.

use super::looks::{Cubes, Etched, Look, Optical, Orientation, Polished, Relief};
use super::pores::PoreSpec;
use super::random::{Purpose, Stream};
use super::spec::{Detector, PhantomSpec};
use super::strip::{BarShape, StripSpec, StripTone};
use super::structure::{Density, Structure, StructureSpec};

/// A spec with look, grains, pores, detector and strip drawn at random; size, pixel size and bits are `base`'s,
/// and a `base` without a strip gets none.
///
/// Ranges: mean intercept 14 to 90 px, porosity 0 to 18 %, pores 0.1 to 0.4 intercepts wide, blur 0.5 to 1.8 px,
/// 60 to 3000 counts, shading up to 0.4.
pub fn varied(seed: u64, base: &PhantomSpec) -> PhantomSpec {
    let mut stream = Stream::new(seed, Purpose::Sampling, 0);
    let intercept = log_between(&mut stream, 14.0, 90.0);
    let look = varied_look(&mut stream);
    PhantomSpec {
        structure: StructureSpec {
            structure: Structure::Section3d {
                size_spread: stream.between(0.0, 0.6),
                regularity: stream.between(0.2, 1.0),
            },
            density: Density::MeanInterceptPx(intercept),
        },
        waviness: stream.between(0.0, 0.08),
        pores: varied_pores(&mut stream, intercept, &look),
        look,
        detector: varied_detector(&mut stream, &look),
        strip: base.strip.as_ref().map(|strip| varied_strip(&mut stream, strip)),
        seed,
        ..base.clone()
    }
}

/// Uniform in the logarithm.
fn log_between(stream: &mut Stream, low: f64, high: f64) -> f64 {
    low * libm::exp(stream.unit() * libm::log(high / low))
}

fn varied_look(stream: &mut Stream) -> Look {
    match stream.index(11) {
        0..3 => Look::Etched(Etched {
            groove_depth: log_between(stream, 0.08, 0.5),
            groove_px: stream.between(0.8, 2.4),
            faint_share: stream.between(0.0, 0.2),
            grain_contrast: stream.between(0.0, 0.08),
            terraced_share: stream.between(0.0, 0.3),
        }),
        3..5 => Look::Orientation(Orientation {
            contrast: stream.between(0.05, 0.2),
            boundary_depth: stream.between(-0.03, 0.06),
        }),
        5..7 => Look::Optical(Optical {
            boundary_depth: log_between(stream, 0.1, 0.55),
            boundary_px: stream.between(0.7, 1.8),
            faint_share: stream.between(0.0, 0.2),
            scratches: stream.between(0.0, 40.0),
        }),
        7..9 => Look::Relief(Relief {
            edge_brightness: stream.between(0.1, 0.5),
            grain_contrast: stream.between(0.0, 0.06),
        }),
        9 => Look::Cubes(Cubes {
            edge_brightness: stream.between(0.1, 0.5),
            grain_contrast: stream.between(0.0, 0.05),
        }),
        _ => Look::Polished(Polished { scratches: stream.between(0.0, 30.0) }),
    }
}

fn varied_pores(stream: &mut Stream, intercept: f64, look: &Look) -> PoreSpec {
    let polished = !matches!(look, Look::Relief(_) | Look::Cubes(_));
    let percent = stream.unit();
    PoreSpec {
        percent: 18.0 * percent * percent,
        diameter_px: (intercept * log_between(stream, 0.1, 0.4)).max(4.0),
        size_spread: stream.between(0.2, 0.7),
        junction_share: stream.between(1.0, 6.0),
        boundary_share: stream.between(0.0, 3.0),
        inside_share: stream.between(0.0, 3.0),
        angularity: stream.unit(),
        pull_out_percent: if stream.unit() < 0.15 && polished { stream.between(0.3, 3.0) } else { 0.0 },
    }
}

fn varied_detector(stream: &mut Stream, look: &Look) -> Detector {
    let light = matches!(look, Look::Optical(_));
    Detector {
        blur_px: stream.between(0.5, 1.8),
        counts: log_between(stream, if light { 400.0 } else { 60.0 }, 3000.0),
        shading: stream.unit() * if light { 0.4 } else { 0.15 },
        contrast: stream.between(0.7, 1.3),
        brightness: stream.between(-0.1, 0.1),
    }
}

fn varied_strip(stream: &mut Stream, base: &StripSpec) -> StripSpec {
    let bars = [BarShape::Solid, BarShape::Bracket, BarShape::Ticks];
    let tones = [StripTone::LightOnDark, StripTone::DarkOnLight];
    StripSpec { bar: bars[stream.index(3)], tone: tones[stream.index(2)], ..base.clone() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_spec_drawn_at_random_is_sound_and_repeats_itself() {
        let base = PhantomSpec::default();
        for seed in 0..500 {
            let spec = varied(seed, &base);
            spec.check().unwrap();
            assert_eq!(spec, varied(seed, &base));
        }
    }
}
