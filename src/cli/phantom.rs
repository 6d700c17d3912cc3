//! `ceramograph phantom`: draw micrographs whose truth is known.

mod args;

use std::path::Path;

use anyhow::{Context, bail};
pub use args::PhantomArgs;
use args::{GrainArgs, PoreArgs, PoreSites, StripArgs, StripName, StructureName};

use crate::phantom::sampling::varied;
use crate::phantom::spec::PhantomSpec;
use crate::phantom::strip::{BarShape, StripSpec};
use crate::phantom::structure::{Density, Structure};
use crate::phantom::truth::Truth;
use crate::phantom::write::{Target, write_phantom};
use crate::phantom::{demonstration, draw};
use crate::study::read_file::read_table;
use crate::units::parse_um;

/// Draws what the arguments ask for and lists the pictures on standard output.
///
/// # Errors
/// Nonsense values, files in the way without `--replace`, and whatever the system refuses.
pub fn run(args: PhantomArgs) -> anyhow::Result<()> {
    use std::io::Write as _;
    std::fs::create_dir_all(&args.out)
        .with_context(|| format!("cannot make the folder {}", args.out.display()))?;
    let mut out = anstream::stdout().lock();
    if args.demo {
        for path in demonstration::write_study(&args.out, args.replace)? {
            writeln!(out, "{}", path.display())?;
        }
        return Ok(());
    }
    // Typed options decide what is drawn at random (the size bounds the grains), and then hold over it.
    let base = with_options(base_spec(args.spec.as_deref())?, &args)?;
    let first = args.seed.unwrap_or(base.seed);
    for k in 0..args.count {
        let seed = first.checked_add(k).context("option --seed: the number is too large")?;
        let spec = if args.vary {
            with_options(varied(seed, &base, args.picture.look), &args)?
        } else {
            PhantomSpec { seed, ..base.clone() }
        };
        let phantom = draw(&spec)?;
        let name = format!("{}-{seed}", args.name.as_deref().unwrap_or(spec.look.name()));
        let target = Target {
            pictures: &args.out,
            truth: &args.out,
            name: &name,
            format: args.format,
            replace: args.replace,
        };
        let [picture, ..] = write_phantom(&phantom, &target)?;
        writeln!(out, "{}  {}", picture.display(), summary(&phantom.truth))?;
    }
    Ok(())
}

fn summary(truth: &Truth) -> String {
    let intercept = truth.mean_intercept_um.map_or("none".to_owned(), |um| format!("{um:.3} µm"));
    format!(
        "porosity {:.2} %, {} grains, mean intercept {intercept}",
        truth.porosity_percent, truth.grain_count
    )
}

fn base_spec(path: Option<&Path>) -> anyhow::Result<PhantomSpec> {
    let Some(path) = path else { return Ok(PhantomSpec::default()) };
    let explain = || format!("{} is no phantom spec", path.display());
    let mut value: serde_json::Value = serde_json::from_slice(&read_table(path)?).with_context(explain)?;
    let inner = value.get_mut("spec").map(serde_json::Value::take).unwrap_or(value);
    serde_json::from_value(inner).with_context(explain)
}

/// The spec with everything that was typed.
fn with_options(mut spec: PhantomSpec, args: &PhantomArgs) -> anyhow::Result<PhantomSpec> {
    let picture = &args.picture;
    if let Some((width, height)) = picture.size {
        (spec.width_px, spec.height_px) = (width, height);
    }
    if let Some(look) = picture.look
        && spec.look.kind() != look
    {
        spec.look = look.with_defaults();
    }
    if let Some(text) = &picture.pixel_size {
        spec.um_per_px = parse_um(text).context("option --pixel-size")?;
    }
    set(&mut spec.bits, picture.bits);
    set(&mut spec.detector.blur_px, picture.blur);
    set(&mut spec.detector.counts, picture.counts);
    set(&mut spec.detector.shading, picture.shading);
    set(&mut spec.detector.contrast, picture.contrast);
    set(&mut spec.detector.brightness, picture.brightness);
    set_grains(&mut spec, &args.grains)?;
    set_pores(&mut spec, &args.pores)?;
    set_strip(&mut spec, &args.strip)?;
    Ok(spec)
}

fn set<T>(target: &mut T, typed: Option<T>) {
    if let Some(value) = typed {
        *target = value;
    }
}

fn set_grains(spec: &mut PhantomSpec, args: &GrainArgs) -> anyhow::Result<()> {
    if let Some(name) = args.structure {
        spec.structure.structure = match name {
            StructureName::Section => Structure::Section3d { size_spread: 0.35, regularity: 0.8 },
            StructureName::Duplex => {
                Structure::Duplex { size_spread: 0.35, regularity: 0.8, size_ratio: 3.0, coarse_share: 0.5 }
            }
            StructureName::Abnormal => {
                Structure::Abnormal { size_spread: 0.35, regularity: 0.8, size_ratio: 6.0, coarse_share: 0.2 }
            }
            StructureName::Voronoi => Structure::Voronoi2d { regularity: 0.0 },
            StructureName::Hexagons => Structure::Hexagons { angle_degrees: 0.0 },
            StructureName::Squares => Structure::Squares { angle_degrees: 0.0 },
        };
    }
    let (mut spread, mut regular, mut angle) = (args.size_spread, args.regularity, args.angle);
    match &mut spec.structure.structure {
        Structure::Section3d { size_spread, regularity }
        | Structure::Duplex { size_spread, regularity, .. }
        | Structure::Abnormal { size_spread, regularity, .. } => {
            set(size_spread, spread.take());
            set(regularity, regular.take());
        }
        Structure::Voronoi2d { regularity } => set(regularity, regular.take()),
        Structure::Hexagons { angle_degrees } | Structure::Squares { angle_degrees } => {
            set(angle_degrees, angle.take());
        }
    }
    for (name, left) in [("--size-spread", spread), ("--regularity", regular), ("--angle", angle)] {
        if left.is_some() {
            bail!(
                "option {name}: the chosen structure has no such number; leave it out or choose another --structure"
            );
        }
    }
    if let Some(text) = &args.intercept {
        let px = length_px(text, spec.um_per_px).context("option --intercept")?;
        spec.structure.density = Density::MeanInterceptPx(px);
    }
    if let Some(count) = args.grains {
        spec.structure.density =
            Density::GrainsPerPx2(count / (spec.width_px as f64 * spec.height_px as f64));
    }
    set(&mut spec.waviness, args.waviness);
    Ok(())
}

fn set_pores(spec: &mut PhantomSpec, args: &PoreArgs) -> anyhow::Result<()> {
    set(&mut spec.pores.percent, args.porosity);
    if let Some(text) = &args.pore_size {
        spec.pores.diameter_px = length_px(text, spec.um_per_px).context("option --pore-size")?;
    }
    set(&mut spec.pores.size_spread, args.pore_size_spread);
    if let Some(PoreSites([junction, boundary, inside])) = args.pore_sites {
        spec.pores.junction_share = junction;
        spec.pores.boundary_share = boundary;
        spec.pores.inside_share = inside;
    }
    set(&mut spec.pores.angularity, args.angularity);
    set(&mut spec.pores.pull_out_percent, args.pull_out);
    Ok(())
}

fn set_strip(spec: &mut PhantomSpec, args: &StripArgs) -> anyhow::Result<()> {
    let bar = match args.strip {
        Some(StripName::None) => {
            spec.strip = None;
            None
        }
        Some(StripName::Solid) => Some(BarShape::Solid),
        Some(StripName::Bracket) => Some(BarShape::Bracket),
        Some(StripName::Ticks) => Some(BarShape::Ticks),
        None => None,
    };
    if let Some(bar) = bar {
        spec.strip = Some(StripSpec { bar, ..spec.strip.take().unwrap_or_default() });
    }
    let Some(strip) = &mut spec.strip else {
        if args.strip_tone.is_some() || args.bar_length.is_some() || args.caption.is_some() {
            bail!(
                "options --strip-tone, --bar-length and --caption need a strip; --strip none leaves it out"
            );
        }
        return Ok(());
    };
    set(&mut strip.tone, args.strip_tone);
    set(&mut strip.caption, args.caption.clone());
    if let Some(text) = &args.bar_length {
        strip.bar_length_um = Some(parse_um(text).context("option --bar-length")?);
    }
    Ok(())
}

/// A typed length in px: `40px`, or any length with a unit.
fn length_px(text: &str, um_per_px: f64) -> anyhow::Result<f64> {
    match text.trim().strip_suffix("px") {
        Some(number) => number.trim().parse().with_context(|| format!("'{text}' is no number of px")),
        None => Ok(parse_um(text)? / um_per_px),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_read_in_px_or_with_a_unit() {
        assert_eq!(length_px("40px", 0.025).unwrap(), 40.0);
        assert_eq!(length_px("1um", 0.025).unwrap(), 40.0);
        assert!(length_px("40", 0.025).is_err());
    }
}
