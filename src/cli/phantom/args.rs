//! The options of `ceramograph phantom`, as typed.

use std::path::PathBuf;

use crate::phantom::looks::LookKind;
use crate::phantom::spec::Bits;
use crate::phantom::strip::StripTone;
use crate::phantom::write::PictureFormat;

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
    #[arg(long, default_value_t = 1, value_name = "N", value_parser = clap::value_parser!(u64).range(1..))]
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
    pub(super) picture: PictureArgs,
    #[command(flatten)]
    pub(super) grains: GrainArgs,
    #[command(flatten)]
    pub(super) pores: PoreArgs,
    #[command(flatten)]
    pub(super) strip: StripArgs,
}

/// Picture and microscope.
#[derive(Clone, Debug, clap::Args)]
#[command(next_help_heading = "Picture")]
pub(super) struct PictureArgs {
    /// Columns x rows of the micrograph, info strip not counted [default: 1024x768]
    #[arg(long, value_name = "WxH", value_parser = parse_size)]
    pub(super) size: Option<(usize, usize)>,
    /// How the surface looks [default: etched]
    #[arg(long, value_enum)]
    pub(super) look: Option<LookKind>,
    /// Size of a pixel [default: 25nm]
    #[arg(long, value_name = "LENGTH")]
    pub(super) pixel_size: Option<String>,
    /// Bits of a grey level [default: 8]
    #[arg(long, value_enum)]
    pub(super) bits: Option<Bits>,
    /// Standard deviation of the blur in px, 0 to 20 [default: 0.8]
    #[arg(long, value_name = "PX")]
    pub(super) blur: Option<f64>,
    /// Counts per pixel at full white; fewer are noisier [default: 600]
    #[arg(long, value_name = "N")]
    pub(super) counts: Option<f64>,
    /// Change of brightness over the picture, 0 to 1 [default: 0.05]
    #[arg(long, value_name = "SHARE")]
    pub(super) shading: Option<f64>,
    /// Factor by which grey levels are spread about one half [default: 1]
    #[arg(long, value_name = "FACTOR")]
    pub(super) contrast: Option<f64>,
    /// Added to grey levels, -1 to 1 [default: 0]
    #[arg(long, value_name = "SHARE")]
    pub(super) brightness: Option<f64>,
}

/// Grain structure.
#[derive(Clone, Debug, clap::Args)]
#[command(next_help_heading = "Grains")]
pub(super) struct GrainArgs {
    /// Grain structure; the looks relief, cubes and powder heap bodies instead [default: section]
    #[arg(long, value_enum)]
    pub(super) structure: Option<StructureName>,
    /// Mean linear intercept [default: 40px]
    #[arg(long, value_name = "LENGTH", conflicts_with = "grains")]
    pub(super) intercept: Option<String>,
    /// Grains in the picture, about, instead of an intercept
    #[arg(long, value_name = "N")]
    pub(super) grains: Option<f64>,
    /// Spread of grain sizes in a section: SD of the logarithm of sphere radii, 0 to 0.8 [default: 0.35]
    #[arg(long, value_name = "SD")]
    pub(super) size_spread: Option<f64>,
    /// 0: random centres; 1: centres that keep their distances [default: 0.8 for sections, 0 for voronoi]
    #[arg(long, value_name = "SHARE")]
    pub(super) regularity: Option<f64>,
    /// Turn of hexagons and squares against the rows [default: 0]
    #[arg(long, value_name = "DEGREES")]
    pub(super) angle: Option<f64>,
    /// Bending of boundaries as a share of the intercept, 0 to 0.15 [default: 0.04]
    #[arg(long, value_name = "SHARE")]
    pub(super) waviness: Option<f64>,
}

/// Pores.
#[derive(Clone, Debug, clap::Args)]
#[command(next_help_heading = "Pores")]
pub(super) struct PoreArgs {
    /// Area fraction of pores in percent, 0 to 40, powders to 60 [default: 5]
    #[arg(long, value_name = "PERCENT")]
    pub(super) porosity: Option<f64>,
    /// Median diameter of pores [default: 9px]
    #[arg(long, value_name = "LENGTH")]
    pub(super) pore_size: Option<String>,
    /// Spread of pore sizes: SD of the logarithm of diameters, 0 to 1 [default: 0.4]
    #[arg(long, value_name = "SD")]
    pub(super) pore_size_spread: Option<f64>,
    /// Relative numbers of pores at junctions, on boundaries and inside grains [default: 6,2,1]
    #[arg(long, value_name = "J,B,I", value_parser = parse_sites)]
    pub(super) pore_sites: Option<PoreSites>,
    /// 0: pores at junctions are round; 1: hollow sides and cusps [default: 0.5]
    #[arg(long, value_name = "SHARE")]
    pub(super) angularity: Option<f64>,
    /// Area of pulled-out grains in percent, on top of the pores, 0 to 40 [default: 0]
    #[arg(long, value_name = "PERCENT")]
    pub(super) pull_out: Option<f64>,
}

/// Info strip.
#[derive(Clone, Debug, clap::Args)]
#[command(next_help_heading = "Info strip")]
pub(super) struct StripArgs {
    /// Scale bar in the strip below the picture [default: solid]
    #[arg(long, value_enum)]
    pub(super) strip: Option<StripName>,
    /// Ink and ground of the strip [default: light-on-dark]
    #[arg(long, value_enum)]
    pub(super) strip_tone: Option<StripTone>,
    /// Printed length of the bar [default: a 1-2-5 length that fits]
    #[arg(long, value_name = "LENGTH")]
    pub(super) bar_length: Option<String>,
    /// Text at the left end of the strip
    #[arg(long, value_name = "TEXT")]
    pub(super) caption: Option<String>,
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
pub(super) enum StructureName {
    /// Plane section through a structure in space
    Section,
    /// Regions of fine and of coarse grains side by side
    Duplex,
    /// A few overgrown grains in a fine matrix
    Abnormal,
    /// Cells of random points in the plane
    Voronoi,
    /// Regular hexagons
    Hexagons,
    /// Squares
    Squares,
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
pub(super) enum StripName {
    /// No strip
    None,
    /// Filled bar
    Solid,
    /// Line with caps, broken by the label
    Bracket,
    /// Row of ticks
    Ticks,
}

fn parse_size(text: &str) -> Result<(usize, usize), String> {
    let explain = || format!("'{text}' is no size; write columns x rows, for example 1024x768");
    let (width, height) = text.split_once(['x', 'X', '×']).ok_or_else(explain)?;
    Ok((width.trim().parse().map_err(|_| explain())?, height.trim().parse().map_err(|_| explain())?))
}

/// Relative numbers of pores at junctions, on boundaries and inside grains.
#[derive(Clone, Copy, Debug)]
pub(super) struct PoreSites(pub(super) [f64; 3]);

fn parse_sites(text: &str) -> Result<PoreSites, String> {
    let numbers: Result<Vec<f64>, _> = text.split(',').map(|n| n.trim().parse::<f64>()).collect();
    let three = numbers.ok().and_then(|n| <[f64; 3]>::try_from(n).ok());
    three.map(PoreSites).ok_or_else(|| format!("'{text}' is not three numbers, for example 6,2,1"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_and_sites_are_read() {
        assert_eq!(parse_size("640x480"), Ok((640, 480)));
        assert!(parse_size("640").is_err() && parse_size("ax3").is_err());
        assert_eq!(parse_sites("6, 2,1").unwrap().0, [6.0, 2.0, 1.0]);
        assert!(parse_sites("6,2").is_err() && parse_sites("a,b,c").is_err());
    }
}
