//! Specs drawn at random, for training and for tests over many kinds of pictures.

use super::lettering::Typeface;
use super::looks::{
    Cubes, Etched, Heap, Look, LookKind, Optical, Orientation, Polished, Powder, Relief, Shading, View,
};
use super::pores::PoreSpec;
use super::random::{Purpose, Stream};
use super::spec::{Boundaries, Detector, PhantomSpec};
use super::strip::{BarShape, Spelling, StripPlace, StripSpec, StripTone};
use super::structure::{Density, Structure, StructureSpec, profiles_per_px2};

/// A spec with look, grains, pores, detector and strip drawn at random; size, pixel size and bits are `base`'s,
/// and a `base` without a strip gets none. With a `look`, the spec has that look with settings drawn at random.
///
/// Ranges: mean intercept 8 to 250 px, but so that a picture holds a dozen grains; porosity 0 to 18 %, now and
/// then to 35 % (powders: 5 to 45 %, wide bare patches beside); pores 0.1 to 0.4 intercepts wide, blur 0.5 to 2.8 px, 12 to 3000 counts,
/// shading up to 0.4. Fine and coarse grains side by side, coarse grains in a fine matrix, strongly curved,
/// faint and fading boundaries, second phases, glass, polishing relief, scratches, lined, stepped and rounded
/// faces, heaps laid at random, inverted contrast, charging, drift, dust and JPEG come in by chance: a third of
/// the pictures has none of them, most have one to three.
pub fn varied(seed: u64, base: &PhantomSpec, look: Option<LookKind>) -> PhantomSpec {
    let mut stream = Stream::new(seed, Purpose::Sampling, 0);
    let kind = varied_kind(&mut stream);
    let kind = look.unwrap_or(kind);
    let intercept = varied_intercept(&mut stream, base, kind);
    let mut spec = PhantomSpec {
        structure: StructureSpec {
            structure: Structure::Section3d {
                size_spread: stream.between(0.0, 0.6),
                regularity: stream.between(0.2, 1.0),
            },
            density: Density::MeanInterceptPx(intercept),
        },
        waviness: stream.between(0.0, 0.08),
        pores: varied_pores(&mut stream, intercept, kind),
        boundaries: Boundaries::default(),
        look: varied_look(&mut stream, kind),
        detector: varied_detector(&mut stream, kind),
        strip: base.strip.as_ref().map(|strip| varied_strip(&mut stream, strip)),
        seed,
        ..base.clone()
    };
    let features = Feature::of(kind);
    // A third of the pictures is plain; the others have one feature, two or three.
    let count = [0, 0, 0, 1, 1, 1, 2, 2, 3][stream.index(9)];
    for _ in 0..count {
        features[stream.index(features.len())].add(&mut stream, &mut spec);
    }
    throw_on_a_heap(&mut spec);
    strew_on_a_ground(&mut spec);
    clear_all_boundaries(&mut spec);
    keep_visible(&mut spec);
    spec
}

/// Two of three heaps are laid at random; in two of three of those nothing but the slope of faces tells where bodies run
/// through one another. Numbers come from a stream of their own: what else is drawn for a seed does not depend on them.
fn throw_on_a_heap(spec: &mut PhantomSpec) {
    let mut stream = Stream::new(spec.seed, Purpose::Layers, 0);
    let (heap, shading, grain_contrast, edge_brightness) = match &mut spec.look {
        Look::Relief(l) => (&mut l.heap, &mut l.shading, &mut l.grain_contrast, &mut l.edge_brightness),
        Look::Cubes(l) => (&mut l.heap, &mut l.shading, &mut l.grain_contrast, &mut l.edge_brightness),
        _ => return,
    };
    if stream.unit() > 2.0 / 3.0 {
        return;
    }
    heap.layers = log_between(&mut stream, 1.5, 6.0);
    heap.height_spread = stream.between(0.1, 0.6);
    if stream.unit() < 2.0 / 3.0 {
        *grain_contrast = 0.0;
        *edge_brightness = stream.between(0.15, 0.6);
        shading.crevice = 0.4 * stream.unit() * stream.unit();
        shading.face_contrast = 0.0;
    }
}

/// Half of the powders leave wide parts of the ground bare, and half of those seen by secondary electrons lie on a ground
/// that is not black. Numbers come from a stream of their own.
fn strew_on_a_ground(spec: &mut PhantomSpec) {
    let Look::Powder(powder) = &mut spec.look else { return };
    let mut stream = Stream::new(spec.seed, Purpose::Ground, 0);
    if stream.unit() < 0.5 {
        // More than this of the ground cannot be asked for.
        let room = 1.0 - 40.5 / (100.0 - spec.pores.percent);
        powder.bare_share = stream.between(0.05, 0.4).min(room);
        spec.pores.percent += powder.bare_share * (100.0 - spec.pores.percent);
    }
    if stream.unit() < 0.5 && powder.view == View::Secondary {
        powder.ground = stream.between(0.1, 0.55);
    }
}

/// Four of ten etched sections have no faint boundary. Numbers come from a stream of their own.
fn clear_all_boundaries(spec: &mut PhantomSpec) {
    let faint_share = match &mut spec.look {
        Look::Etched(look) => &mut look.faint_share,
        Look::Optical(look) => &mut look.faint_share,
        Look::Orientation(look) => &mut look.faint_share,
        _ => return,
    };
    if Stream::new(spec.seed, Purpose::Clear, 0).unit() < 0.4 {
        *faint_share = 0.0;
    }
}

/// Raises the dose and lowers the blur where nobody could see a boundary any more.
fn keep_visible(spec: &mut PhantomSpec) {
    let intercept = spec.structure.matrix_intercept_px();
    let detector = &mut spec.detector;
    detector.blur_px = detector.blur_px.min(0.3 + 0.08 * intercept);
    // Pixels that tell of one boundary: a line two px wide, or the grains on both sides of it; the eye follows a
    // line over some twenty px at once.
    let followed = intercept.min(20.0);
    // A blurred line loses depth as it gets wider.
    let kept = |half_width: f64| half_width / libm::hypot(half_width, detector.blur_px);
    let (depth, pixels) = match &spec.look {
        Look::Etched(look) => {
            (look.groove_depth * kept(look.groove_px) + 0.5 * look.grain_contrast, 2.0 * followed)
        }
        Look::Optical(look) => {
            (look.boundary_depth * kept(look.boundary_px) + 0.5 * look.grain_contrast, 2.0 * followed)
        }
        Look::Orientation(look) => (look.contrast, followed * followed),
        _ => return,
    };
    let depth = depth * detector.contrast;
    // Depth over noise, averaged over those pixels, is at least 6.
    detector.counts = detector.counts.max(36.0 / (depth * depth * pixels));
}

/// Uniform in the logarithm.
fn log_between(stream: &mut Stream, low: f64, high: f64) -> f64 {
    low * libm::exp(stream.unit() * libm::log(high / low))
}

/// Grains that a picture holds at least, on average.
const FEWEST_GRAINS: f64 = 12.0;

fn varied_intercept(stream: &mut Stream, base: &PhantomSpec, kind: LookKind) -> f64 {
    let area = (base.width_px * base.height_px) as f64;
    // Profiles per area fall with the square of the intercept.
    let most = libm::sqrt(area * profiles_per_px2(1.0) / FEWEST_GRAINS).clamp(9.0, 250.0);
    let least = if kind.is_section() { 8.0 } else { 12.0 };
    log_between(stream, least, most.max(least + 1.0))
}

/// Something that not every picture has.
#[derive(Clone, Copy)]
enum Feature {
    Duplex,
    Abnormal,
    Curved,
    Fading,
    LowDose,
    Inverted,
    Charging,
    Drift,
    Dust,
    Jpeg,
    SecondPhase,
    Glass,
    Heights,
    Scratched,
    Lined,
    Stepped,
    Rounded,
}

impl Feature {
    /// Those that show in this look; the more frequent ones stand there more than once.
    fn of(kind: LookKind) -> Vec<Self> {
        let mut list = vec![
            Self::LowDose,
            Self::LowDose,
            Self::Inverted,
            Self::Charging,
            Self::Drift,
            Self::Dust,
            Self::Jpeg,
            Self::Jpeg,
        ];
        if kind.is_section() {
            list.extend([Self::Duplex, Self::Abnormal, Self::Curved, Self::Fading, Self::Fading]);
            // A polished section that is not etched shows none of these.
            if kind != LookKind::Polished {
                list.extend([Self::SecondPhase, Self::SecondPhase, Self::Glass, Self::Glass]);
                list.extend([Self::Heights, Self::Scratched, Self::Lined]);
            }
        } else if kind != LookKind::Powder {
            list.extend([Self::Stepped, Self::Stepped, Self::Rounded, Self::Rounded]);
        }
        list
    }

    fn add(self, stream: &mut Stream, spec: &mut PhantomSpec) {
        match self {
            Self::Duplex | Self::Abnormal => spec.structure = two_sizes(stream, spec, self),
            Self::Curved => spec.waviness = stream.between(0.08, 0.15),
            Self::Fading => spec.boundaries.fading_share = stream.between(0.05, 0.4),
            Self::LowDose => spec.detector.counts = log_between(stream, 12.0, 60.0),
            Self::Inverted => spec.detector.inverted = true,
            Self::Charging => spec.detector.charging = log_between(stream, 0.03, 0.3),
            Self::Drift => spec.detector.drift_px = stream.between(0.2, 0.7),
            Self::Dust => spec.detector.dust = log_between(stream, 5.0, 80.0),
            Self::Jpeg => spec.detector.jpeg_quality = Some(30 + stream.index(61) as u8),
            Self::Heights => spec.polish.relief = log_between(stream, 0.03, 0.2),
            Self::Scratched => spec.polish.scratches = log_between(stream, 8.0, 200.0),
            Self::Lined => spec.polish.lined_share = stream.between(0.1, 0.7),
            Self::SecondPhase => {
                spec.phases.grain_share = stream.between(0.03, 0.35);
                spec.phases.grain_tone = second_tone(stream);
            }
            Self::Glass => {
                let intercept = spec.structure.matrix_intercept_px();
                spec.phases.film_share = stream.between(0.2, 1.0);
                spec.phases.film_px = stream.between(0.4, (0.05 * intercept).clamp(0.6, 4.0));
                spec.phases.pocket_px = stream.between(0.0, (0.35 * intercept).min(20.0));
                spec.phases.glass_tone = second_tone(stream);
            }
            Self::Stepped | Self::Rounded => self.add_to_faces(stream, spec),
        }
    }

    fn add_to_faces(self, stream: &mut Stream, spec: &mut PhantomSpec) {
        let (share, radius) = (stream.between(0.2, 0.9), 0.08 * stream.unit() * spec.intercept_px());
        let (stepped, rounding) = match &mut spec.look {
            Look::Relief(look) => (&mut look.stepped_share, &mut look.rounding_px),
            Look::Cubes(look) => (&mut look.stepped_share, &mut look.rounding_px),
            _ => return,
        };
        match self {
            Self::Stepped => *stepped = share,
            _ => *rounding = radius.clamp(0.5, 8.0),
        }
    }
}

/// Clearly brighter or darker than the matrix.
fn second_tone(stream: &mut Stream) -> f64 {
    if stream.unit() < 0.5 { stream.between(0.1, 0.35) } else { -stream.between(0.08, 0.24) }
}

fn two_sizes(stream: &mut Stream, spec: &PhantomSpec, feature: Feature) -> StructureSpec {
    let (size_spread, regularity) = (stream.between(0.0, 0.5), stream.between(0.2, 1.0));
    let intercept = spec.intercept_px();
    let structure = match feature {
        Feature::Duplex => Structure::Duplex {
            size_spread,
            regularity,
            size_ratio: stream.between(1.8, 4.5),
            coarse_share: stream.between(0.25, 0.75),
        },
        _ => Structure::Abnormal {
            size_spread,
            regularity,
            size_ratio: stream.between(3.0, 8.0),
            coarse_share: stream.between(0.08, 0.4),
        },
    };
    // With few grains in a picture there is no room for coarse ones among them.
    let fine = StructureSpec { structure, density: Density::MeanInterceptPx(intercept) };
    let most = 0.045 * libm::sqrt((spec.width_px * spec.height_px) as f64);
    let shrink = (most / fine.matrix_intercept_px()).min(1.0);
    StructureSpec { structure, density: Density::MeanInterceptPx((intercept * shrink).max(8.0)) }
}

fn varied_kind(stream: &mut Stream) -> LookKind {
    match stream.index(16) {
        0..3 => LookKind::Etched,
        3..5 => LookKind::Orientation,
        5..7 => LookKind::Optical,
        7..10 => LookKind::Relief,
        10..13 => LookKind::Cubes,
        13 => LookKind::Polished,
        _ => LookKind::Powder,
    }
}

fn varied_look(stream: &mut Stream, kind: LookKind) -> Look {
    // Most pictures have few faint boundaries, some have many.
    let share = stream.unit();
    let faint_share = 0.4 * share * share;
    match kind {
        LookKind::Etched => Look::Etched(Etched {
            groove_depth: log_between(stream, 0.04, 0.5),
            groove_px: stream.between(0.8, 2.4),
            faint_share,
            grain_contrast: stream.between(0.0, 0.08),
            terraced_share: stream.between(0.0, 0.3),
        }),
        LookKind::Orientation => Look::Orientation(Orientation {
            contrast: stream.between(0.05, 0.2),
            boundary_depth: stream.between(-0.03, 0.06),
            faint_share: 0.6 * faint_share,
        }),
        LookKind::Optical => Look::Optical(Optical {
            boundary_depth: log_between(stream, 0.06, 0.55),
            boundary_px: stream.between(0.7, 1.8),
            faint_share,
            scratches: stream.between(0.0, 40.0),
            grain_contrast: log_between(stream, 0.006, 0.06),
        }),
        LookKind::Relief => Look::Relief(Relief {
            edge_brightness: stream.between(0.0, 0.5),
            grain_contrast: stream.between(0.0, 0.06),
            heap: varied_heap(stream),
            shading: varied_shading(stream),
            ..Relief::default()
        }),
        LookKind::Cubes => Look::Cubes(Cubes {
            edge_brightness: stream.between(0.0, 0.5),
            grain_contrast: stream.between(0.0, 0.05),
            heap: varied_heap(stream),
            shading: varied_shading(stream),
            ..Cubes::default()
        }),
        LookKind::Polished => Look::Polished(Polished { scratches: stream.between(0.0, 30.0) }),
        LookKind::Powder => Look::Powder(varied_powder(stream)),
    }
}

fn varied_powder(stream: &mut Stream) -> Powder {
    let view = if stream.unit() < 0.5 { View::Secondary } else { View::Transmission };
    let edges = match view {
        View::Secondary => stream.between(0.1, 0.6),
        View::Transmission => stream.between(-0.3, 0.25),
    };
    Powder {
        view,
        elongation: if stream.unit() < 0.3 { 1.0 } else { log_between(stream, 1.1, 3.5) },
        rod_share: if stream.unit() < 0.5 { 0.0 } else { stream.unit() },
        size_spread: stream.between(0.0, 0.45),
        // Particles shone through that lie over each other cannot be told apart.
        order: stream.between(if view == View::Secondary { 0.3 } else { 0.6 }, 1.0),
        edge_brightness: edges,
        grain_contrast: stream.between(0.0, 0.06),
        absorption: log_between(stream, 0.3, 1.8),
        mottle: stream.between(0.0, 0.12),
        crack_share: if stream.unit() < 0.6 { 0.0 } else { stream.between(0.1, 0.8) },
        ..Powder::default()
    }
}

fn varied_heap(stream: &mut Stream) -> Heap {
    Heap {
        size_spread: stream.between(0.1, 0.7),
        height_spread: stream.between(0.08, 0.5),
        shape_spread: stream.between(0.3, 2.5),
        flat_share: if stream.unit() < 0.4 { stream.unit() } else { 0.0 },
        order: if stream.unit() < 0.5 { 1.0 } else { stream.unit() },
        loose_share: if stream.unit() < 0.7 { 0.0 } else { stream.unit() },
        layers: 0.0,
    }
}

fn varied_shading(stream: &mut Stream) -> Shading {
    let (angle, reach) = (stream.between(0.0, 2.0 * std::f64::consts::PI), stream.unit());
    Shading {
        slope: stream.between(0.2, 2.0),
        detector: [(reach * libm::cos(angle)) as f32, (reach * libm::sin(angle)) as f32],
        occlusion: stream.between(0.0, 2.0),
        edge_width: log_between(stream, 0.4, 3.0),
        texture: stream.unit() * stream.unit() * 0.06,
        texture_px: log_between(stream, 2.0, 20.0),
        depth: stream.between(0.2, 1.8),
        crevice: stream.between(0.0, 2.0),
        face_contrast: if stream.unit() < 0.6 { 0.0 } else { stream.between(0.01, 0.08) },
        ..Shading::default()
    }
}

fn varied_pores(stream: &mut Stream, intercept: f64, kind: LookKind) -> PoreSpec {
    let percent = stream.unit();
    // Now and then a body that is far from dense.
    let most = if stream.unit() < 0.12 { 35.0 } else { 18.0 };
    let percent = match kind {
        LookKind::Powder => 5.0 + 40.0 * percent,
        // Now and then nothing at all: a flat picture, or noise.
        LookKind::Polished if stream.unit() < 0.3 => 0.0,
        _ => most * percent * percent,
    };
    PoreSpec {
        percent,
        diameter_px: (intercept * log_between(stream, 0.1, 0.4)).max(4.0),
        size_spread: stream.between(0.2, 0.7),
        junction_share: stream.between(1.0, 6.0),
        boundary_share: stream.between(0.0, 3.0),
        inside_share: stream.between(0.0, 3.0),
        angularity: stream.unit(),
        pull_out_percent: if stream.unit() < 0.15 && kind.is_section() {
            stream.between(0.3, 3.0)
        } else {
            0.0
        },
    }
}

fn varied_detector(stream: &mut Stream, kind: LookKind) -> Detector {
    let light = kind == LookKind::Optical;
    Detector {
        blur_px: log_between(stream, 0.5, 2.8),
        counts: log_between(stream, if light { 400.0 } else { 60.0 }, 3000.0),
        shading: stream.unit() * if light { 0.4 } else { 0.15 },
        contrast: stream.between(0.7, 1.3),
        brightness: stream.between(-0.1, 0.1),
        ..Detector::default()
    }
}

fn varied_strip(stream: &mut Stream, base: &StripSpec) -> StripSpec {
    let bars = [BarShape::Solid, BarShape::Bracket, BarShape::Ticks];
    let tones = [StripTone::LightOnDark, StripTone::DarkOnLight];
    let typefaces = [Typeface::Sans, Typeface::Bold, Typeface::Condensed, Typeface::Mono, Typeface::Serif];
    let spellings = [Spelling::Spaced, Spelling::Tight, Spelling::Point, Spelling::Comma, Spelling::Letter];
    let (bar, tone) = (bars[stream.index(3)], tones[stream.index(2)]);
    let (typeface, spelling) = (typefaces[stream.index(5)], spellings[stream.index(5)]);
    let height_factor = stream.between(0.8, 1.5);
    // Ticks stand in a strip.
    let panel = bar != BarShape::Ticks && stream.unit() < 0.35;
    let place = if panel { StripPlace::Panel } else { StripPlace::Below };
    StripSpec { bar, tone, typeface, spelling, height_factor, place, ..base.clone() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_spec_drawn_at_random_is_sound_and_repeats_itself() {
        let base = PhantomSpec::default();
        for seed in 0..500 {
            let spec = varied(seed, &base, None);
            spec.check().unwrap();
            assert_eq!(spec, varied(seed, &base, None));
        }
    }

    #[test]
    fn a_third_of_the_specs_is_plain() {
        let base = PhantomSpec::default();
        let plain = |spec: &PhantomSpec| {
            let detector = &spec.detector;
            matches!(spec.structure.structure, Structure::Section3d { .. })
                && spec.boundaries == Boundaries::default()
                && spec.phases == base.phases
                && spec.polish == base.polish
                && !matches!(spec.look, Look::Relief(look) if look.stepped_share + look.rounding_px > 0.0)
                && !matches!(spec.look, Look::Cubes(look) if look.stepped_share + look.rounding_px > 0.0)
                && spec.waviness < 0.08
                && detector.counts >= 60.0
                && *detector
                    == Detector {
                        blur_px: detector.blur_px,
                        counts: detector.counts,
                        shading: detector.shading,
                        contrast: detector.contrast,
                        brightness: detector.brightness,
                        ..Detector::default()
                    }
        };
        let count = (0..600).filter(|&seed| plain(&varied(seed, &base, None))).count();
        // 200 are expected; four standard deviations of the binomial count are 46.
        assert!((154..=246).contains(&count), "{count}");
    }

    #[test]
    fn a_look_asked_for_is_drawn_with_settings_of_its_own() {
        let base = PhantomSpec::default();
        let looks: Vec<Look> = (0..9).map(|seed| varied(seed, &base, Some(LookKind::Etched)).look).collect();
        assert!(looks.iter().all(|look| look.kind() == LookKind::Etched));
        assert!(looks.windows(2).all(|pair| pair[0] != pair[1]));
    }
}
