//! What follows for the choice of the firing: how dense, how coarse, and where to fire next.

use super::effect::LEVEL;
use super::observation::{GRAIN_SIZE, INSIDE_GRAINS, POROSITY, Property, condition_name};
use super::relation::{Effect, Level};
use super::words::at;
use crate::report::number::significant;

/// Sentences about every condition that is a number and differs between specimens.
pub fn conclusions(effects: &[Effect]) -> Vec<String> {
    let of = |condition: &str, property: Property| {
        effects.iter().find(|effect| effect.condition == condition && effect.property == property.key)
    };
    let mut told = Vec::new();
    for effect in effects.iter().filter(|effect| effect.property == POROSITY.key && is_numeric(effect)) {
        let story = Story { porosity: effect, grains: of(&effect.condition, GRAIN_SIZE) };
        told.extend(story.told());
        told.extend(of(&effect.condition, INSIDE_GRAINS).and_then(trapped));
    }
    told
}

fn is_numeric(effect: &Effect) -> bool {
    effect.levels.iter().all(|level| level.value.is_some())
}

/// How a property goes from one level to another.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Step {
    Falls,
    Rises,
    /// Within its interval.
    Same,
    /// No interval, no test.
    Unknown,
}

/// The change between two levels: by the test of the pair, else by whether their intervals overlap.
fn step(effect: &Effect, from: usize, to: usize) -> Step {
    let (first, last) = (&effect.levels[from], &effect.levels[to]);
    let tested = effect.differences.as_ref().and_then(|found| {
        let pair = found.pairs.iter().find(|pair| {
            [(&pair.first, &pair.second), (&pair.second, &pair.first)].contains(&(&first.text, &last.text))
        })?;
        Some(found.shown && pair.p < LEVEL)
    });
    let differs = tested.or_else(|| Some(!overlap(first, last)?));
    match differs {
        None => Step::Unknown,
        Some(false) => Step::Same,
        Some(true) if last.mean < first.mean => Step::Falls,
        Some(true) => Step::Rises,
    }
}

fn overlap(one: &Level, other: &Level) -> Option<bool> {
    Some(one.ci95_low? <= other.ci95_high? && other.ci95_low? <= one.ci95_high?)
}

/// Porosity and grain size along a condition.
struct Story<'a> {
    porosity: &'a Effect,
    grains: Option<&'a Effect>,
}

impl Story<'_> {
    fn told(&self) -> Vec<String> {
        let (levels, last) = (&self.porosity.levels, self.porosity.levels.len() - 1);
        let condition = condition_name(&self.porosity.condition);
        if (1..=last).all(|to| step(self.porosity, to - 1, to) == Step::Unknown) {
            return vec![format!(
                "which {condition} gives the denser pieces cannot be told: measure at least two fields, better five, on each specimen"
            )];
        }
        let dense = self.densest();
        let mut told = vec![self.densification(dense)];
        let beyond = (dense + 1..=last).find(|&to| step(self.porosity, dense, to) == Step::Rises);
        if let Some(worse) = beyond {
            told.push(format!(
                "porosity rises again beyond {}, to {}: a sign of over-firing (gas in closed pores, swelling, or pull-out from coarser \
                 grains); do not fire beyond {}",
                levels[dense].text,
                at(&levels[worse], POROSITY),
                levels[dense].text
            ));
        }
        told.push(self.next(dense));
        told
    }

    /// The first level that cannot be told apart from the level of least porosity.
    fn densest(&self) -> usize {
        let means = self.porosity.levels.iter().map(|level| level.mean).enumerate();
        let least = means.min_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |(index, _)| index);
        (0..least).find(|&from| step(self.porosity, from, least) == Step::Same).unwrap_or(least)
    }

    fn densification(&self, dense: usize) -> String {
        let (levels, last) = (&self.porosity.levels, self.porosity.levels.len() - 1);
        let condition = condition_name(&self.porosity.condition);
        let rise = if dense > 0 && step(self.porosity, 0, dense) == Step::Falls {
            format!(
                "density rises with {condition} up to {}: porosity falls from {} to {}",
                levels[dense].text,
                at(&levels[0], POROSITY),
                at(&levels[dense], POROSITY)
            )
        } else {
            format!(
                "no gain in density with {condition} can be shown: porosity is {}",
                at(&levels[dense], POROSITY)
            )
        };
        let stays = dense < last && step(self.porosity, dense, last) == Step::Same;
        let rise = if stays {
            format!("{rise}; up to {} it then does not change within its interval", levels[last].text)
        } else {
            rise
        };
        let from = if stays { dense } else { 0 };
        match self.coarsening(from, last) {
            Some(factor) => format!("{rise}, while grains coarsen by a factor of {factor}"),
            None => rise,
        }
    }

    /// Factor between the grain sizes at two levels of porosity, if the difference is shown.
    fn coarsening(&self, from: usize, to: usize) -> Option<String> {
        let grains = self.grains?;
        let place = |index: usize| {
            let text = &self.porosity.levels[index].text;
            grains.levels.iter().position(|level| &level.text == text)
        };
        let (from, to) = (place(from)?, place(to)?);
        (from < to && step(grains, from, to) == Step::Rises)
            .then(|| significant(grains.levels[to].mean / grains.levels[from].mean, 2))
    }

    fn next(&self, dense: usize) -> String {
        let (levels, last) = (&self.porosity.levels, self.porosity.levels.len() - 1);
        let condition = condition_name(&self.porosity.condition);
        if dense == last {
            return format!(
                "porosity is lowest at the end of the fired range ({condition} {}), so the best firing may lie beyond it, where these data \
                 say nothing: fire one step further, within what furnace, furniture and atmosphere are rated for, or accept {}",
                levels[last].text, levels[last].text
            );
        }
        let before = dense
            .checked_sub(1)
            .map(|index| format!(" or between {} and {}", levels[index].text, levels[dense].text));
        format!(
            "fire next at {condition} {}{}: of what was fired it is the mildest whose porosity cannot be told from the lowest",
            levels[dense].text,
            before.unwrap_or_default()
        )
    }
}

/// Pores that boundaries have left behind.
fn trapped(effect: &Effect) -> Option<String> {
    let last = effect.levels.len() - 1;
    (step(effect, 0, last) == Step::Rises).then(|| {
        format!(
            "the share of pore area inside grains rises from {} to {}: boundaries have broken away from pores, which longer firing \
             hardly closes",
            at(&effect.levels[0], INSIDE_GRAINS),
            at(&effect.levels[last], INSIDE_GRAINS)
        )
    })
}
