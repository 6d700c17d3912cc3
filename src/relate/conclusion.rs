//! What follows for the choice of the firing: how dense, how coarse, and where to fire next.

use super::effect::LEVEL;
use super::observation::{Condition, GRAIN_SIZE, INSIDE_GRAINS, POROSITY, Property, RELATIVE_DENSITY};
use super::relation::{Effect, Level};
use super::words::at;
use crate::report::number::significant;

/// Sentences about every condition that is a number and differs between specimens.
///
/// Density is judged by weighing or measuring where every level has it, because that sees the whole body; else by the
/// porosity of the pictures.
pub fn conclusions(effects: &[Effect]) -> Vec<String> {
    let mut told = Vec::new();
    for porosity in effects.iter().filter(|effect| effect.property == POROSITY.key && is_numeric(effect)) {
        let of = |property: Property| {
            effects.iter().find(|e| e.condition == porosity.condition && e.property == property.key)
        };
        let weighed = of(RELATIVE_DENSITY).filter(|effect| effect.levels.len() == porosity.levels.len());
        let (effect, property) = weighed.map_or((porosity, POROSITY), |effect| (effect, RELATIVE_DENSITY));
        let story = Story { effect, property, grains: of(GRAIN_SIZE) };
        told.extend(story.told());
        told.extend(of(INSIDE_GRAINS).and_then(trapped));
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
    /// No difference can be shown.
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

/// Density, told by one property, and grain size along a condition.
struct Story<'a> {
    effect: &'a Effect,
    property: Property,
    grains: Option<&'a Effect>,
}

impl Story<'_> {
    fn told(&self) -> Vec<String> {
        let last = self.last();
        if (1..=last).all(|to| step(self.effect, to - 1, to) == Step::Unknown) {
            return vec![format!(
                "which {} gives the denser pieces cannot be told: measure at least two fields, better five, on each specimen",
                self.condition().name
            )];
        }
        let dense = self.densest();
        let mut told = vec![self.densification(dense)];
        if let Some(worse) = (dense + 1..=last).find(|&to| step(self.effect, dense, to) == self.worse()) {
            told.push(format!(
                "the pieces become less dense again beyond {}: {}; a sign of over-firing (gas in closed pores, swelling, or pull-out from \
                 coarser grains), so do not fire beyond {}",
                self.place(dense),
                self.at(worse),
                self.place(dense)
            ));
        }
        told.push(self.next(dense));
        told
    }

    fn last(&self) -> usize {
        self.effect.levels.len() - 1
    }

    fn condition(&self) -> Condition {
        Condition::of(&self.effect.condition)
    }

    /// A level's value of the condition, with its unit.
    fn place(&self, index: usize) -> String {
        self.condition().value(&self.effect.levels[index].text)
    }

    fn at(&self, index: usize) -> String {
        at(&self.effect.levels[index], self.effect, self.property)
    }

    /// The step towards a denser piece.
    fn better(&self) -> Step {
        if self.property == POROSITY { Step::Falls } else { Step::Rises }
    }

    fn worse(&self) -> Step {
        if self.property == POROSITY { Step::Rises } else { Step::Falls }
    }

    /// The first level that cannot be told apart from the densest one.
    fn densest(&self) -> usize {
        let sign = if self.property == POROSITY { 1.0 } else { -1.0 };
        let means = self.effect.levels.iter().map(|level| sign * level.mean).enumerate();
        let best = means.min_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |(index, _)| index);
        (0..best).find(|&from| step(self.effect, from, best) == Step::Same).unwrap_or(best)
    }

    fn densification(&self, dense: usize) -> String {
        let (name, condition, last) = (self.property.name, self.condition().name, self.last());
        let gains = dense > 0 && step(self.effect, 0, dense) == self.better();
        let rise = if gains {
            let goes = if self.better() == Step::Falls { "falls" } else { "rises" };
            format!(
                "density rises with {condition} up to {}: {name} {goes} from {} to {}",
                self.place(dense),
                self.at(0),
                self.at(dense)
            )
        } else {
            format!("no gain in density with {condition} can be shown: {name} is {}", self.at(dense))
        };
        let stays = dense < last && step(self.effect, dense, last) == Step::Same;
        let rise = if stays && gains {
            format!("{rise}; from there to {} it does not change within its interval", self.place(last))
        } else {
            rise
        };
        match self.coarsening(if stays { dense } else { 0 }, last) {
            Some(factor) => format!("{rise}, while grains coarsen by a factor of {factor}"),
            None => rise,
        }
    }

    /// Factor between the grain sizes at two levels, if the difference is shown.
    fn coarsening(&self, from: usize, to: usize) -> Option<String> {
        let grains = self.grains?;
        let place = |index: usize| {
            let text = &self.effect.levels[index].text;
            grains.levels.iter().position(|level| &level.text == text)
        };
        let (from, to) = (place(from)?, place(to)?);
        (from < to && step(grains, from, to) == Step::Rises)
            .then(|| significant(grains.levels[to].mean / grains.levels[from].mean, 2))
    }

    fn next(&self, dense: usize) -> String {
        let condition = self.condition().name;
        if dense == self.last() {
            return format!(
                "the densest pieces lie at the end of what was tried ({condition} {}), so the best may lie beyond, where these data say \
                 nothing: go one step further, within what furnace, furniture and atmosphere are rated for, or accept this one",
                self.place(dense)
            );
        }
        let before = dense.checked_sub(1).map_or_else(String::new, |index| {
            format!(
                "; a milder one may do between {} and it, which takes a further firing to know",
                self.place(index)
            )
        });
        format!(
            "choose {condition} {}: of what was tried it is the mildest that cannot be told from the densest{before}",
            self.place(dense)
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
            at(&effect.levels[0], effect, INSIDE_GRAINS),
            at(&effect.levels[last], effect, INSIDE_GRAINS)
        )
    })
}
