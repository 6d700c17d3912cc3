//! `ceramograph phantom`: draw micrographs whose truth is known.

use std::path::{Path, PathBuf};

use anyhow::{Context, bail};

use crate::phantom::looks::{Cubes, Etched, Look, Optical, Orientation, Polished, Relief};
use crate::phantom::sampling::varied;
use crate::phantom::spec::{Bits, PhantomSpec};
use crate::phantom::strip::{BarShape, StripSpec, StripTone};
use crate::phantom::structure::{Density, Structure};
use crate::phantom::truth::Truth;
use crate::phantom::write::{PictureFormat, Target, write_phantom};
use crate::phantom::{demonstration, draw};
use crate::units::parse_um;

/// Draw micrographs with exactly known truth.
///
/// Each picture comes with NAME.labels.png (16 bit, 0 = pore, 1..n = one grain each; the info strip is not part
/// of it) and NAME.truth.json (porosity, grain count, mean intercept, pixel size, scale bar, and all settings).
/// The same settings and seed give the same bytes on any machine and for any number of threads.
///
/// Lengths are typed with a unit: 25nm, 1.2um, or 40px.
#[derive(Clone, Debug, clap::Args)]
#[command(
    allow_negative_numbers = true,
    after_help = "Examples:
  ceramograph phantom --out drawn
  ceramograph phantom --look optical --intercept 4um --pixel-size 100nm --out drawn
  ceramograph phantom --look relief --count 20 --seed 100 --bits 16 --format tiff --out drawn
  ceramograph phantom --vary --count 1000 --size 512x512 --strip none --out training
  ceramograph phantom --spec drawn/etched-1.truth.json --porosity 8 --out again
  ceramograph phantom --demo --out sample-images"
)]
pub struct PhantomArgs {
    /// Folder for pictures and truth; it is made if it is missing
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Write anew files that are there already
    #[arg(long)]
    pub replace: bool,
    /// Draw the demonstration study: alumina seal rings of an invented laboratory, three firings, three fields
    /// each, truth in the sub-folder `truth`, and the study sheet specimens.csv
    #[arg(long, conflicts_with_all = ["vary", "spec", "count", "look", "structure"])]
    pub demo: bool,
    /// Number of pictures; the seed goes up by one from each to the next
    #[arg(long, default_value_t = 1, value_name = "N")]
    pub count: u64,
    /// Seed of the first picture [default: 1]
    #[arg(long, value_name = "N")]
    pub seed: Option<u64>,
    /// Draw look, grain size, pores, noise and the rest at random for each picture; other options still hold
    #[arg(long)]
    pub vary: bool,
    /// Start from the settings in this file: a NAME.truth.json, or the `spec` part of one
    #[arg(long, value_name = "FILE")]
    pub spec: Option<PathBuf>,
    /// File names are NAME-SEED [default: the look]
    #[arg(long, value_name = "NAME")]
    pub name: Option<String>,
    /// File format
    #[arg(long, value_enum, default_value_t = PictureFormat::Png)]
    pub format: PictureFormat,
    #[command(flatten)]
    picture: PictureArgs,
    #[command(flatten)]
    grains: GrainArgs,
    #[command(flatten)]
    pores: PoreArgs,
    #[command(flatten)]
    strip: StripArgs,
}

/// Picture and microscope.
#[derive(Clone, Debug, clap::Args)]
#[command(next_help_heading = "Picture")]
struct PictureArgs {
    /// Columns x rows of the micrograph, info strip not counted [default: 1024x768]
    #[arg(long, value_name = "WxH", value_parser = parse_size)]
    size: Option<(usize, usize)>,
    /// How the surface looks [default: etched]
    #[arg(long, value_enum)]
    look: Option<LookName>,
    /// Size of a pixel [default: 25nm]
    #[arg(long, value_name = "LENGTH")]
    pixel_size: Option<String>,
    /// Bits of a grey level [default: 8]
    #[arg(long, value_enum)]
    bits: Option<Bits>,
    /// Standard deviation of the blur in px, 0 to 20 [default: 0.8]
    #[arg(long, value_name = "PX")]
    blur: Option<f64>,
    /// Counts per pixel at full white; fewer are noisier [default: 600]
    #[arg(long, value_name = "N")]
    counts: Option<f64>,
    /// Change of brightness over the picture, 0 to 1 [default: 0.05]
    #[arg(long, value_name = "SHARE")]
    shading: Option<f64>,
    /// Factor by which grey levels are spread about one half [default: 1]
    #[arg(long, value_name = "FACTOR")]
    contrast: Option<f64>,
    /// Added to grey levels, -1 to 1 [default: 0]
    #[arg(long, value_name = "SHARE")]
    brightness: Option<f64>,
}

/// Grain structure.
#[derive(Clone, Debug, clap::Args)]
#[command(next_help_heading = "Grains")]
struct GrainArgs {
    /// Grain structure; the looks relief and cubes heap bodies instead [default: section]
    #[arg(long, value_enum)]
    structure: Option<StructureName>,
    /// Mean linear intercept [default: 40px]
    #[arg(long, value_name = "LENGTH", conflicts_with = "grains")]
    intercept: Option<String>,
    /// Grains in the picture, about, instead of an intercept
    #[arg(long, value_name = "N")]
    grains: Option<f64>,
    /// Spread of grain sizes in a section: SD of the logarithm of sphere radii, 0 to 0.8 [default: 0.35]
    #[arg(long, value_name = "SD")]
    size_spread: Option<f64>,
    /// 0: random centres; 1: centres that keep their distances [default: 0.8 for sections, 0 for voronoi]
    #[arg(long, value_name = "SHARE")]
    regularity: Option<f64>,
    /// Turn of hexagons and squares against the rows [default: 0]
    #[arg(long, value_name = "DEGREES")]
    angle: Option<f64>,
    /// Bending of boundaries as a share of the intercept, 0 to 0.15 [default: 0.04]
    #[arg(long, value_name = "SHARE")]
    waviness: Option<f64>,
}

/// Pores.
#[derive(Clone, Debug, clap::Args)]
#[command(next_help_heading = "Pores")]
struct PoreArgs {
    /// Area fraction of pores in percent, 0 to 40 [default: 5]
    #[arg(long, value_name = "PERCENT")]
    porosity: Option<f64>,
    /// Median diameter of pores [default: 9px]
    #[arg(long, value_name = "LENGTH")]
    pore_size: Option<String>,
    /// Spread of pore sizes: SD of the logarithm of diameters, 0 to 1 [default: 0.4]
    #[arg(long, value_name = "SD")]
    pore_size_spread: Option<f64>,
    /// Relative numbers of pores at junctions, on boundaries and inside grains [default: 6,2,1]
    #[arg(long, value_name = "J,B,I", value_parser = parse_sites)]
    pore_sites: Option<PoreSites>,
    /// 0: pores at junctions are round; 1: hollow sides and cusps [default: 0.5]
    #[arg(long, value_name = "SHARE")]
    angularity: Option<f64>,
    /// Area of pulled-out grains in percent, on top of the pores, 0 to 40 [default: 0]
    #[arg(long, value_name = "PERCENT")]
    pull_out: Option<f64>,
}

/// Info strip.
#[derive(Clone, Debug, clap::Args)]
#[command(next_help_heading = "Info strip")]
struct StripArgs {
    /// Scale bar in the strip below the picture [default: solid]
    #[arg(long, value_enum)]
    strip: Option<StripName>,
    /// Ink and ground of the strip [default: light-on-dark]
    #[arg(long, value_enum)]
    strip_tone: Option<StripTone>,
    /// Printed length of the bar [default: a 1-2-5 length that fits]
    #[arg(long, value_name = "LENGTH")]
    bar_length: Option<String>,
    /// Text at the left end of the strip
    #[arg(long, value_name = "TEXT")]
    caption: Option<String>,
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
enum LookName {
    /// Polished and thermally etched: dark grooves
    Etched,
    /// Grains of different grey, no grooves
    Orientation,
    /// Light microscope: thin dark boundaries, scratches
    Optical,
    /// As fired: facetted bodies with bright edges
    Relief,
    /// Cube-like grains over each other
    Cubes,
    /// Polished, not etched: only pores show
    Polished,
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
enum StructureName {
    /// Plane section through a structure in space
    Section,
    /// Cells of random points in the plane
    Voronoi,
    /// Regular hexagons
    Hexagons,
    /// Squares
    Squares,
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
enum StripName {
    /// No strip
    None,
    /// Filled bar
    Solid,
    /// Line with caps, broken by the label
    Bracket,
    /// Row of ticks
    Ticks,
}

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
    let base = base_spec(args.spec.as_deref())?;
    let first = args.seed.unwrap_or(base.seed);
    for k in 0..args.count {
        let seed = first.checked_add(k).context("option --seed: the number is too large")?;
        let start = if args.vary { varied(seed, &base) } else { base.clone() };
        let spec = with_options(PhantomSpec { seed, ..start }, &args)?;
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
    let text = std::fs::read_to_string(path).with_context(|| format!("cannot read {}", path.display()))?;
    let explain = || format!("{} is no phantom spec", path.display());
    let mut value: serde_json::Value = serde_json::from_str(&text).with_context(explain)?;
    let inner = value.get_mut("spec").map(serde_json::Value::take).unwrap_or(value);
    serde_json::from_value(inner).with_context(explain)
}

/// The spec with everything that was typed.
fn with_options(mut spec: PhantomSpec, args: &PhantomArgs) -> anyhow::Result<PhantomSpec> {
    let picture = &args.picture;
    if let Some((width, height)) = picture.size {
        (spec.width_px, spec.height_px) = (width, height);
    }
    if let Some(look) = picture.look {
        spec.look = look_of(look);
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
            StructureName::Voronoi => Structure::Voronoi2d { regularity: 0.0 },
            StructureName::Hexagons => Structure::Hexagons { angle_degrees: 0.0 },
            StructureName::Squares => Structure::Squares { angle_degrees: 0.0 },
        };
    }
    let (mut spread, mut regular, mut angle) = (args.size_spread, args.regularity, args.angle);
    match &mut spec.structure.structure {
        Structure::Section3d { size_spread, regularity } => {
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

fn parse_size(text: &str) -> Result<(usize, usize), String> {
    let explain = || format!("'{text}' is no size; write columns x rows, for example 1024x768");
    let (width, height) = text.split_once(['x', 'X', '×']).ok_or_else(explain)?;
    Ok((width.trim().parse().map_err(|_| explain())?, height.trim().parse().map_err(|_| explain())?))
}

/// Relative numbers of pores at junctions, on boundaries and inside grains.
#[derive(Clone, Copy, Debug)]
struct PoreSites([f64; 3]);

fn parse_sites(text: &str) -> Result<PoreSites, String> {
    let numbers: Result<Vec<f64>, _> = text.split(',').map(|n| n.trim().parse::<f64>()).collect();
    let three = numbers.ok().and_then(|n| <[f64; 3]>::try_from(n).ok());
    three.map(PoreSites).ok_or_else(|| format!("'{text}' is not three numbers, for example 6,2,1"))
}

fn look_of(name: LookName) -> Look {
    match name {
        LookName::Etched => Look::Etched(Etched::default()),
        LookName::Orientation => Look::Orientation(Orientation::default()),
        LookName::Optical => Look::Optical(Optical::default()),
        LookName::Relief => Look::Relief(Relief::default()),
        LookName::Cubes => Look::Cubes(Cubes::default()),
        LookName::Polished => Look::Polished(Polished::default()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_and_lengths_are_read() {
        assert_eq!(parse_size("640x480"), Ok((640, 480)));
        assert!(parse_size("640").is_err() && parse_size("ax3").is_err());
        assert_eq!(length_px("40px", 0.025).unwrap(), 40.0);
        assert_eq!(length_px("1um", 0.025).unwrap(), 40.0);
        assert!(length_px("40", 0.025).is_err());
        assert_eq!(parse_sites("6, 2,1").unwrap().0, [6.0, 2.0, 1.0]);
        assert!(parse_sites("6,2").is_err() && parse_sites("a,b,c").is_err());
    }
}
