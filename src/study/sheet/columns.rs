//! The columns that are known, and what a head means.

use super::unit::{KINDS, Kind, Unit, key};

/// A known column that holds text.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Text {
    /// Name of the specimen: the one column that must be there.
    Specimen,
    /// Pattern of its pictures.
    Pictures,
    /// Material.
    Material,
    /// How the surface was prepared.
    Surface,
    /// Liquid of the weighings.
    Liquid,
    /// Atmosphere of the furnace.
    Atmosphere,
    /// Furnace.
    Furnace,
    /// Anything else.
    Notes,
}

/// A known column that holds numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[expect(missing_docs, reason = "KNOWN says what each of them is")]
pub enum Quantity {
    TheoreticalDensity,
    TheoreticalDensityUncertainty,
    PressingForce,
    DieDiameter,
    DieInnerDiameter,
    PressingPressure,
    GreenMass,
    GreenOuterDiameter,
    GreenInnerDiameter,
    GreenHeight,
    FiredMass,
    FiredOuterDiameter,
    FiredInnerDiameter,
    FiredHeight,
    DryMass,
    SuspendedMass,
    SaturatedMass,
    LiquidTemperature,
    LiquidDensity,
    StartTemperature,
    RampRate,
    PeakTemperature,
    Hold,
    /// Of a programme with several segments, counted from 1.
    Segment(u8, SegmentPart),
    MassUncertainty,
    LengthUncertainty,
    ForceUncertainty,
    LiquidTemperatureUncertainty,
    LiquidDensityUncertainty,
    PeakTemperatureUncertainty,
}

/// A number of one segment.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum SegmentPart {
    /// Rate of its ramp.
    RampRate,
    /// Time of its ramp, instead of the rate.
    RampTime,
    /// Temperature that it ends at.
    Target,
    /// Time at that temperature.
    Hold,
}

/// What values a column may hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Range {
    /// Above zero.
    AboveZero,
    /// Zero or more.
    FromZero,
    /// Absolute zero or more.
    Temperature,
    /// Above zero, and no denser than the densest solid.
    Density,
}

/// A known column of numbers: its names without unit, the first being ours, its kind, range and meaning.
#[derive(Debug)]
pub struct Known {
    /// The quantity.
    pub quantity: Quantity,
    /// Names without unit.
    pub stems: &'static [&'static str],
    /// Kind of quantity, which says the units.
    pub kind: Kind,
    /// What values are possible.
    pub range: Range,
    /// What it is.
    pub meaning: &'static str,
}

/// Every known column of text, in the order of the template.
pub const TEXTS: [(Text, &str, &str); 8] = [
    (Text::Specimen, "specimen", "name; the only column that must be there, one row a specimen"),
    (
        Text::Pictures,
        "pictures",
        "pattern of its pictures from the measured folder, as in ring-A/*; empty: the folder of its name",
    ),
    (Text::Surface, "surface", "polished, thermally-etched, chemically-etched, as-fired or fracture"),
    (Text::Material, "material", "what it is made of"),
    (Text::Liquid, "liquid", "liquid of the weighings; empty: water"),
    (Text::Atmosphere, "atmosphere", "atmosphere of the furnace"),
    (Text::Furnace, "furnace", "which furnace"),
    (Text::Notes, "notes", "anything else"),
];

const fn known(
    quantity: Quantity,
    stems: &'static [&'static str],
    kind: Kind,
    range: Range,
    meaning: &'static str,
) -> Known {
    Known { quantity, stems, kind, range, meaning }
}

/// Every known column of numbers but those of numbered segments, in the order of the template.
#[rustfmt::skip]
pub const KNOWN: [Known; 29] = [
    known(Quantity::TheoreticalDensity, &["theoretical_density"], Kind::Density, Range::Density, "density of the solid without pores"),
    known(Quantity::TheoreticalDensityUncertainty, &["theoretical_density_uncertainty"], Kind::Density, Range::AboveZero, "its standard uncertainty; empty: taken as exact"),
    known(Quantity::PressingForce, &["pressing_force"], Kind::Force, Range::AboveZero, "force of the press"),
    known(Quantity::DieDiameter, &["die_diameter", "die_outer_diameter"], Kind::Length, Range::AboveZero, "diameter of the die"),
    known(Quantity::DieInnerDiameter, &["die_inner_diameter"], Kind::Length, Range::FromZero, "diameter of its core rod; 0, or empty in every row: none"),
    known(Quantity::PressingPressure, &["pressing_pressure"], Kind::Pressure, Range::AboveZero, "pressing pressure, instead of force and die"),
    known(Quantity::GreenMass, &["green_mass"], Kind::Mass, Range::AboveZero, "mass of the pressed body"),
    known(Quantity::GreenOuterDiameter, &["green_outer_diameter", "green_diameter"], Kind::Length, Range::AboveZero, "outer diameter of the pressed body"),
    known(Quantity::GreenInnerDiameter, &["green_inner_diameter"], Kind::Length, Range::FromZero, "its inner diameter; 0, or empty in every row: no hole"),
    known(Quantity::GreenHeight, &["green_height", "green_thickness"], Kind::Length, Range::AboveZero, "its height or thickness"),
    known(Quantity::FiredMass, &["fired_mass"], Kind::Mass, Range::AboveZero, "mass of the fired body"),
    known(Quantity::FiredOuterDiameter, &["fired_outer_diameter", "fired_diameter"], Kind::Length, Range::AboveZero, "outer diameter of the fired body"),
    known(Quantity::FiredInnerDiameter, &["fired_inner_diameter"], Kind::Length, Range::FromZero, "its inner diameter; 0, or empty in every row: no hole"),
    known(Quantity::FiredHeight, &["fired_height", "fired_thickness"], Kind::Length, Range::AboveZero, "its height or thickness"),
    known(Quantity::DryMass, &["dry_mass"], Kind::Mass, Range::AboveZero, "weighing in a liquid: dry, in air"),
    known(Quantity::SuspendedMass, &["suspended_mass"], Kind::Mass, Range::AboveZero, "saturated, hanging in the liquid"),
    known(Quantity::SaturatedMass, &["saturated_mass"], Kind::Mass, Range::AboveZero, "saturated, in air"),
    known(Quantity::LiquidTemperature, &["liquid_temperature"], Kind::Temperature, Range::Temperature, "temperature of the liquid; gives the density of water"),
    known(Quantity::LiquidDensity, &["liquid_density"], Kind::Density, Range::Density, "density of the liquid, needed where it is not water"),
    known(Quantity::StartTemperature, &["start_temperature"], Kind::Temperature, Range::Temperature, "temperature at which the firing starts; empty: 25 °C"),
    known(Quantity::RampRate, &["ramp_rate"], Kind::Rate, Range::AboveZero, "firing with one segment: rate of its ramp"),
    known(Quantity::PeakTemperature, &["peak_temperature", "firing_temperature"], Kind::Temperature, Range::Temperature, "peak temperature"),
    known(Quantity::Hold, &["hold", "hold_time"], Kind::Time, Range::FromZero, "time at the peak temperature"),
    known(Quantity::MassUncertainty, &["mass_uncertainty"], Kind::Mass, Range::AboveZero, "standard uncertainty of a weighing; empty: 0.001 g"),
    known(Quantity::LengthUncertainty, &["length_uncertainty"], Kind::Length, Range::AboveZero, "standard uncertainty of a size; empty: 0.02 mm"),
    known(Quantity::ForceUncertainty, &["pressing_force_uncertainty"], Kind::Force, Range::AboveZero, "standard uncertainty of the force; empty: 2 % of it"),
    known(Quantity::LiquidTemperatureUncertainty, &["liquid_temperature_uncertainty"], Kind::TemperatureDifference, Range::AboveZero, "standard uncertainty of its temperature; empty: 0.5 K"),
    known(Quantity::LiquidDensityUncertainty, &["liquid_density_uncertainty"], Kind::Density, Range::AboveZero, "standard uncertainty of its density; empty: 0.001 g/cm³"),
    known(Quantity::PeakTemperatureUncertainty, &["peak_temperature_uncertainty"], Kind::TemperatureDifference, Range::AboveZero, "standard uncertainty of the peak temperature"),
];

/// Numbers of a segment: name within it, kind, range, meaning.
#[rustfmt::skip]
pub const SEGMENT_PARTS: [(SegmentPart, &str, Kind, Range, &str); 4] = [
    (SegmentPart::RampRate, "ramp", Kind::Rate, Range::AboveZero, "rate of its ramp, above zero for heating and cooling"),
    (SegmentPart::RampTime, "ramp_time", Kind::Time, Range::FromZero, "time of its ramp, instead of the rate"),
    (SegmentPart::Target, "target", Kind::Temperature, Range::Temperature, "temperature that it ends at"),
    (SegmentPart::Hold, "hold", Kind::Time, Range::FromZero, "time at that temperature"),
];

/// What a head means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Meaning {
    /// Known text.
    Text(Text),
    /// A known number.
    Number(NumberColumn),
    /// None of the known columns.
    Unknown,
}

/// A known column of numbers with the unit of its head.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NumberColumn {
    /// The quantity.
    pub quantity: Quantity,
    /// Its kind.
    pub kind: Kind,
    /// Unit of the head.
    pub unit: &'static Unit,
    /// Possible values.
    pub range: Range,
}

/// What a head means.
pub fn meaning(head: &str) -> Meaning {
    let head = key(head);
    if let Some((text, ..)) = TEXTS.iter().find(|(_, name, _)| *name == head) {
        return Meaning::Text(*text);
    }
    let plain = KNOWN.iter().find_map(|known| {
        let unit = known.stems.iter().find_map(|stem| unit_after(&head, stem, known.kind))?;
        Some(NumberColumn { quantity: known.quantity, kind: known.kind, unit, range: known.range })
    });
    plain.or_else(|| segment(&head)).map_or(Meaning::Unknown, Meaning::Number)
}

/// A head in print: its name in words, and the symbol of its unit, empty if it names none.
///
/// Heads that are not known may end in any unit of the table, or in `percent`.
pub fn in_print(head: &str) -> (String, &'static str) {
    if let Meaning::Number(known) = meaning(head) {
        let head = key(head);
        return (head[..head.len() - known.unit.key.len() - 1].replace('_', " "), known.unit.symbol);
    }
    let ends = KINDS.iter().flat_map(|kind| kind.units()).map(|unit| (unit.key, unit.symbol));
    let split = ends
        .chain([("percent", "%")])
        .filter_map(|(end, symbol)| Some((head.strip_suffix(end)?.strip_suffix('_')?, symbol)))
        .filter(|(name, _)| !name.is_empty())
        // Of 'ramp_k_min' and 'ramp_k' in min, the longer unit is meant.
        .min_by_key(|(name, _)| name.len());
    let (name, symbol) = split.unwrap_or((head, ""));
    (name.replace('_', " "), symbol)
}

/// The unit that follows `stem` in `head`, if nothing else does.
fn unit_after(head: &str, stem: &str, kind: Kind) -> Option<&'static Unit> {
    let end = head.strip_prefix(stem)?.strip_prefix('_')?;
    kind.units().iter().find(|unit| unit.key == end)
}

fn segment(head: &str) -> Option<NumberColumn> {
    let (number, rest) = head.strip_prefix("segment_")?.split_once('_')?;
    let number = number.parse::<u8>().ok().filter(|n| *n > 0)?;
    SEGMENT_PARTS.iter().find_map(|&(part, stem, kind, range, _)| {
        let unit = unit_after(rest, stem, kind)?;
        Some(NumberColumn { quantity: Quantity::Segment(number, part), kind, unit, range })
    })
}

/// The known head that an unknown one was probably meant to be: the same name without its unit or with another one, or at
/// most two letters away.
pub fn suggestion(head: &str) -> Option<String> {
    let head = key(head);
    let mut numbers: Vec<(String, Kind)> = Vec::new();
    for known in &KNOWN {
        numbers.extend(known.stems.iter().map(|stem| ((*stem).to_owned(), known.kind)));
    }
    if let Some(number) = head.strip_prefix("segment_").and_then(|rest| rest.split('_').next()) {
        numbers.extend(
            SEGMENT_PARTS.iter().map(|(_, stem, kind, ..)| (format!("segment_{number}_{stem}"), *kind)),
        );
    }
    let of_stem = |(stem, kind): &(String, Kind)| format!("{stem}_{}", kind.kept().key);
    // The longest name wins, so that 'fired_mass_lb' is not read as some shorter one.
    let unitless =
        numbers.iter().filter(|(stem, _)| lacks_unit(&head, stem)).max_by_key(|(stem, _)| stem.len());
    if let Some(found) = unitless {
        return Some(of_stem(found));
    }
    let with_units = numbers
        .iter()
        .flat_map(|(stem, kind)| kind.units().iter().map(move |unit| format!("{stem}_{}", unit.key)));
    let texts = TEXTS.iter().map(|(_, name, _)| (*name).to_owned());
    let allowed = (head.chars().count() / 4).min(2);
    texts
        .chain(with_units)
        .map(|known| (strsim::damerau_levenshtein(&head, &known), known))
        .filter(|(distance, _)| *distance <= allowed)
        .min()
        .map(|(_, known)| known)
}

/// Whether `head` is `stem` alone or with an end as short as a unit.
fn lacks_unit(head: &str, stem: &str) -> bool {
    head.strip_prefix(stem).is_some_and(|end| end.is_empty() || end.starts_with('_') && end.len() <= 6)
}
