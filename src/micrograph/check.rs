//! Whether a picture is fit to be measured, with one line of advice for the person at the microscope.
//!
//! Limits are common practice unless a reason is given; each is a constant with its reason beside it.

use super::Grey;
use super::picture_statistics::{PictureStatistics, picture_statistics};
use crate::study::result::{Finding, Grade, PictureCheck};

/// From where on a value asks for a warning, and from where on the picture should not be used.
struct Limits {
    warning: f64,
    refusal: f64,
}

/// Grey levels between dark and bright structure: with fewer, rounding to whole levels moves every threshold.
const CONTRAST_LEVELS: Limits = Limits { warning: 30.0, refusal: 10.0 };
/// Shading is evened out before pores are thresholded, but takes contrast away where it is darkest; once it exceeds the
/// contrast itself, pores in the bright part are as bright as grains in the dark part.
const SHADING_PERCENT: Limits = Limits { warning: 30.0, refusal: 150.0 };
/// Clipped pixels carry no detail. A few highlights or black pore floors do no harm.
const SATURATION_PERCENT: Limits = Limits { warning: 2.0, refusal: 20.0 };
/// Steps between neighbouring rows in percent of the contrast. Pictures without stripes show up to 5.
const STRIPES_PERCENT: Limits = Limits { warning: 6.0, refusal: 20.0 };
/// Steps below this many standard errors are what noise alone brings.
const STRIPES_STANDARD_ERRORS: f64 = 6.0;
/// The smallest grain that is counted is 10 px wide: edges of 4 px leave little of it, and at 12 px it is gone.
const EDGE_WIDTH_PX: Limits = Limits { warning: 4.0, refusal: 12.0 };
/// A detail is seen in a single pixel if it is about five times as strong as the noise (Rose 1948, from memory);
/// boundaries have a third of the contrast or less, and are seen because many pixels lie along them.
const NOISE_PERCENT: Limits = Limits { warning: 15.0, refusal: 40.0 };
/// Pixels across a grain: 10 for counting, 20 for its size, from the scatter of digitised discs.
const PIXELS_PER_GRAIN: Limits = Limits { warning: 20.0, refusal: 10.0 };
/// About 50 intercepts in a field is what counting rules ask for; below 10 a field says next to nothing.
const GRAINS_IN_FIELD: Limits = Limits { warning: 50.0, refusal: 10.0 };
/// Share of a field that was already measured in another one.
const OVERLAP_PERCENT: Limits = Limits { warning: 5.0, refusal: 90.0 };

/// Looks at the part of a picture that will be measured: contrast, shading, saturation, stripes, focus and noise.
///
/// The entry for focus is left out if no edge stands out of the noise.
pub fn check(grey: &Grey) -> Vec<Finding> {
    findings(&picture_statistics(grey))
}

/// What the statistics of a picture say about its fitness.
pub(crate) fn findings(statistics: &PictureStatistics) -> Vec<Finding> {
    let mut findings =
        vec![contrast(statistics), shading(statistics), saturation(statistics), stripes(statistics)];
    findings.extend(statistics.edge_width_px.map(focus));
    findings.push(noise(statistics));
    findings
}

/// Looks at what only the grains can tell: pixels across a grain, and grains in the field. Unknown values are left out.
pub fn after_grains(mean_intercept_px: Option<f64>, grain_count: Option<u64>) -> Vec<Finding> {
    let pixels = mean_intercept_px.map(|value| {
        let grade = PIXELS_PER_GRAIN.grade_low(value);
        let advice = "raise the magnification: 20 px across a grain are wanted for its size, 10 for counting";
        finding("pixels-per-grain", value, "px", grade, advice)
    });
    let grains = grain_count.map(|count| {
        let grade = GRAINS_IN_FIELD.grade_low(count as f64);
        finding(
            "grains-in-field",
            count as f64,
            "grains",
            grade,
            "lower the magnification or take more fields",
        )
    });
    pixels.into_iter().chain(grains).collect()
}

/// The entry for a field that shares the part `share` (0 to 1) of its area with the picture named `other`.
///
/// See [`common_shares`](super::overlap::common_shares) for how such pairs are found.
pub fn overlap(other: &str, share: f64) -> Finding {
    let value = 100.0 * share;
    let grade = OVERLAP_PERCENT.grade(value);
    let advice = format!("shows the same place as {other}; move the stage by a whole field between pictures");
    finding("overlap", value, "percent", grade, &advice)
}

/// The check of a picture as a whole: its worst finding decides.
pub fn grade(findings: Vec<Finding>) -> PictureCheck {
    PictureCheck { grade: findings.iter().map(|f| f.grade).max().unwrap_or(Grade::Use), findings }
}

impl Limits {
    /// For values that should be low.
    fn grade(&self, value: f64) -> Grade {
        match value {
            v if v > self.refusal => Grade::DoNotUse,
            v if v > self.warning => Grade::UseWithWarning,
            _ => Grade::Use,
        }
    }

    /// For values that should be high.
    fn grade_low(&self, value: f64) -> Grade {
        match value {
            v if v < self.refusal => Grade::DoNotUse,
            v if v < self.warning => Grade::UseWithWarning,
            _ => Grade::Use,
        }
    }
}

fn finding(name: &'static str, value: f64, unit: &'static str, grade: Grade, advice: &str) -> Finding {
    Finding {
        name: name.into(),
        value,
        unit: unit.into(),
        grade,
        advice: (grade != Grade::Use).then(|| advice.to_owned()),
    }
}

fn contrast(statistics: &PictureStatistics) -> Finding {
    let grade = CONTRAST_LEVELS.grade_low(statistics.contrast);
    finding(
        "contrast",
        statistics.contrast,
        "grey levels",
        grade,
        "raise the contrast so that it fills the grey scale",
    )
}

/// A value in percent of the contrast, which is at least one grey level, so that an even picture has finite values.
fn of_contrast(value: f64, statistics: &PictureStatistics) -> f64 {
    100.0 * value / statistics.contrast.max(1.0)
}

fn shading(statistics: &PictureStatistics) -> Finding {
    let value = of_contrast(statistics.shading, statistics);
    let advice = "even out the light, or centre the detector and level the specimen";
    finding("shading", value, "percent", SHADING_PERCENT.grade(value), advice)
}

fn saturation(statistics: &PictureStatistics) -> Finding {
    let value = 100.0 * (statistics.darkest_share + statistics.brightest_share);
    let advice = if statistics.brightest_share > statistics.darkest_share {
        "lower the brightness or the contrast: bright parts are clipped"
    } else {
        "raise the brightness or lower the contrast: dark parts are clipped"
    };
    finding("saturation", value, "percent", SATURATION_PERCENT.grade(value), advice)
}

fn stripes(statistics: &PictureStatistics) -> Finding {
    let (rows, columns) = (statistics.row_jump, statistics.column_jump);
    let jump = if rows.size >= columns.size { rows } else { columns };
    let value = of_contrast(jump.size, statistics);
    let by_chance = jump.size < STRIPES_STANDARD_ERRORS * jump.standard_error;
    let grade = if by_chance { Grade::Use } else { STRIPES_PERCENT.grade(value) };
    let advice =
        "whole rows jump in brightness, as from charging: coat the specimen, or lower the voltage or current";
    finding("charging-stripes", value, "percent", grade, advice)
}

fn focus(edge_width_px: f64) -> Finding {
    let advice =
        "edges are wide: focus and correct astigmatism, or take fewer pixels if the detail is no finer";
    finding("focus", edge_width_px, "px", EDGE_WIDTH_PX.grade(edge_width_px), advice)
}

fn noise(statistics: &PictureStatistics) -> Finding {
    let value = of_contrast(statistics.noise, statistics);
    finding(
        "noise",
        value,
        "percent",
        NOISE_PERCENT.grade(value),
        "scan more slowly, average frames or raise the current",
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::{Frame, Grid};
    use crate::micrograph::drawn;

    fn grade_of(findings: &[Finding], name: &str) -> Grade {
        findings.iter().find(|f| f.name == name).unwrap_or_else(|| panic!("{name} is looked at")).grade
    }

    fn good() -> Grid<f32> {
        drawn::blurred(&drawn::cells(640, 480, 40, 11), 1.0)
    }

    #[test]
    fn a_good_picture_is_used_without_advice() {
        let check = grade(check(&drawn::noisy(&good(), 6.0, 1)));
        assert_eq!(check.grade, Grade::Use, "{:?}", check.findings);
        assert!(check.findings.iter().all(|f| f.advice.is_none()));
        let names: Vec<_> = check.findings.iter().map(|f| &*f.name).collect();
        assert_eq!(names, ["contrast", "shading", "saturation", "charging-stripes", "focus", "noise"]);
    }

    #[test]
    fn each_fault_is_found_under_its_own_name() {
        let good = good();
        let (width, height) = (good.width(), good.height());
        let changed = |change: &dyn Fn(usize, usize, f32) -> f32| {
            Grid::from_fn(width, height, |x, y| change(x, y, good.at(x, y)))
        };
        let cases = [
            ("contrast", changed(&|_, _, v| 120.0 + 0.06 * v), 0.3, Grade::DoNotUse),
            ("contrast", changed(&|_, _, v| 110.0 + 0.18 * v), 1.0, Grade::UseWithWarning),
            ("shading", changed(&|x, _, v| 0.6 * v + 0.15 * x as f32), 4.0, Grade::UseWithWarning),
            ("saturation", changed(&|_, _, v| 2.0 * v), 6.0, Grade::DoNotUse),
            ("saturation", changed(&|_, _, v| v - 60.0), 6.0, Grade::UseWithWarning),
            (
                "charging-stripes",
                changed(&|_, y, v| v + if y % 97 < 9 { 16.0 } else { 0.0 }),
                6.0,
                Grade::UseWithWarning,
            ),
            (
                "charging-stripes",
                changed(&|x, _, v| v + if x % 97 < 9 { 16.0 } else { 0.0 }),
                6.0,
                Grade::UseWithWarning,
            ),
            (
                "charging-stripes",
                changed(&|_, y, v| v + if y % 97 < 9 { 45.0 } else { 0.0 }),
                6.0,
                Grade::DoNotUse,
            ),
            ("focus", drawn::blurred(&good, 3.0), 6.0, Grade::UseWithWarning),
            ("noise", changed(&|_, _, v| v), 30.0, Grade::UseWithWarning),
            ("noise", changed(&|_, _, v| 100.0 + 0.2 * v), 20.0, Grade::DoNotUse),
        ];
        for (name, picture, noise, expected) in cases {
            let findings = check(&drawn::noisy(&picture, noise, 1));
            assert_eq!(grade_of(&findings, name), expected, "{name}: {findings:?}");
            assert!(findings.iter().find(|f| f.name == name).unwrap().advice.is_some());
        }
    }

    #[test]
    fn an_even_picture_is_not_used() {
        let even = grade(check(&Grey::Eight(Grid::filled(64, 64, 128))));
        let noise_only = grade(check(&drawn::noisy(&Grid::filled(256, 256, 128.0), 12.0, 1)));
        assert_eq!(even.grade, Grade::DoNotUse);
        assert_eq!(noise_only.grade, Grade::DoNotUse);
        assert_eq!(grade_of(&noise_only.findings, "noise"), Grade::DoNotUse);
    }

    #[test]
    fn the_easy_development_pictures_are_used_and_spoilt_copies_are_graded_down() {
        for name in drawn::even_names() {
            let Some(picture) = drawn::shared_picture(&name) else { return };
            let as_is = check(&drawn::noisy(&picture, 0.0, 1));
            for sound in ["contrast", "charging-stripes", "focus", "noise"] {
                assert_eq!(grade_of(&as_is, sound), Grade::Use, "{name}: {as_is:?}");
            }
            assert!(grade(as_is).grade <= Grade::UseWithWarning, "{name}");
            let uneven = name.starts_with("optical");
            assert!(
                !uneven
                    || grade_of(&check(&drawn::noisy(&picture, 0.0, 1)), "shading") == Grade::UseWithWarning
            );

            let quarter = Frame { x: 256, y: 192, width: 512, height: 384 };
            let spoilt = [
                ("focus", drawn::blurred(&picture.cropped(quarter), 3.0)),
                ("contrast", picture.map(|v| 120.0 + 0.03 * v)),
                ("saturation", picture.map(|v| 3.0 * v - 60.0)),
                (
                    "charging-stripes",
                    Grid::from_fn(1024, 768, |x, y| picture.at(x, y) * 0.7 + (y / 40 % 2 * 40) as f32),
                ),
            ];
            for (fault, spoilt) in spoilt {
                let findings = check(&drawn::noisy(&spoilt, 0.0, 1));
                assert!(grade_of(&findings, fault) > Grade::Use, "{name}, {fault}: {findings:?}");
            }
        }
    }

    #[test]
    fn grains_are_graded_by_their_pixels_and_their_number() {
        let grades = |px, count| after_grains(px, count).into_iter().map(|f| f.grade).collect::<Vec<_>>();
        assert_eq!(grades(Some(25.0), Some(300)), [Grade::Use, Grade::Use]);
        assert_eq!(grades(Some(15.0), Some(30)), [Grade::UseWithWarning, Grade::UseWithWarning]);
        assert_eq!(grades(Some(8.0), Some(5)), [Grade::DoNotUse, Grade::DoNotUse]);
        assert!(grades(None, None).is_empty());
    }

    #[test]
    fn overlap_names_the_other_picture() {
        let finding = overlap("ring-2.png", 0.3);
        assert_eq!((finding.grade, finding.value), (Grade::UseWithWarning, 30.0));
        assert!(finding.advice.unwrap().contains("ring-2.png"));
        assert_eq!(overlap("a", 1.0).grade, Grade::DoNotUse);
    }
}
