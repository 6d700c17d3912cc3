//! Pictures whose scales do not go together.

use std::collections::BTreeMap;

use crate::scale::Scale;
use crate::warning::Warning;

/// Scales further apart than this factor count small features differently.
const ALIKE_WITHIN: f64 = 1.25;

/// Scales of one specimen that are further apart than this factor are more likely a mistake than meant.
const MISTAKEN_BEYOND: f64 = 3.0;

/// So many pictures have to agree before another one is odd.
const LEAST_AGREEING: usize = 2;

/// A warning if the scales of one specimen lie far apart.
pub(super) fn scales_differ<'a>(scales: impl Iterator<Item = &'a Scale>) -> Option<Warning> {
    let sizes: Vec<f64> = scales.map(|scale| scale.um_per_px).collect();
    let smallest = sizes.iter().copied().fold(f64::MAX, f64::min);
    let largest = sizes.iter().copied().fold(f64::MIN, f64::max);
    let factor = largest / smallest;
    if sizes.is_empty() || factor <= ALIKE_WITHIN {
        return None;
    }
    let mistaken = if factor > MISTAKEN_BEYOND {
        format!(
            "; a factor of {factor:.1} is more than most people mean: see whether one of them was misread"
        )
    } else {
        String::new()
    };
    let text = format!(
        "pixel sizes run from {smallest:.4} to {largest:.4} µm: coarser pixels miss small pores and thin boundaries, \
         so part of the scatter between fields is resolution; take all fields at one magnification{mistaken}"
    );
    Some(Warning::new("scales-differ", text))
}

/// A warning for each folder in which one picture has another scale than all others, which agree.
///
/// A picture is given by its path and its scale. Scales agree within two combined standard uncertainties.
pub(super) fn odd_ones<'a>(pictures: impl Iterator<Item = (&'a str, &'a Scale)>) -> Vec<Warning> {
    let mut folders: BTreeMap<&str, Vec<(&str, &Scale)>> = BTreeMap::new();
    for (file, scale) in pictures {
        let folder = file.rsplit_once('/').map_or("", |(folder, _)| folder);
        folders.entry(folder).or_default().push((file, scale));
    }
    folders.into_values().filter_map(|members| odd_one(&members)).collect()
}

fn odd_one(members: &[(&str, &Scale)]) -> Option<Warning> {
    let others = members.len() - 1;
    if others < LEAST_AGREEING {
        return None;
    }
    let contradicted_by =
        |scale: &Scale| members.iter().filter(|(_, other)| !scale.agrees_with(other)).count();
    let contradictions: Vec<usize> = members.iter().map(|(_, scale)| contradicted_by(scale)).collect();
    let odd = contradictions.iter().position(|&count| count == others)?;
    let alone = contradictions.iter().enumerate().all(|(k, &count)| k == odd || count == 1);
    let (file, scale) = members[odd];
    let (_, usual) = members[usize::from(odd == 0)];
    alone.then(|| {
        let text = format!(
            "{file} has {:.6} µm per px ({}), and the {others} other pictures of its folder, which agree, have {:.6}; if it \
             was not taken at another magnification, its scale is wrong",
            scale.um_per_px, scale.detail, usual.um_per_px
        );
        Warning::new("odd-scale", text)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scale::ScaleSource;

    fn scale(um: f64) -> Scale {
        Scale {
            um_per_px: um,
            um_per_px_x: um,
            um_per_px_y: um,
            source: ScaleSource::ReadBar,
            detail: "read".into(),
            relative_uncertainty: 0.015,
            bar: None,
            confirmed_by: Vec::new(),
        }
    }

    fn odd(sizes: &[(&str, f64)]) -> Vec<String> {
        let scales: Vec<(&str, Scale)> = sizes.iter().map(|&(file, um)| (file, scale(um))).collect();
        odd_ones(scales.iter().map(|(file, scale)| (*file, scale))).into_iter().map(|w| w.message).collect()
    }

    #[test]
    fn one_that_differs_from_all_others_is_named() {
        let found = odd(&[("a/1", 0.1), ("a/2", 0.05), ("a/3", 0.0501), ("a/4", 0.0499)]);
        assert!(found.len() == 1 && found[0].starts_with("a/1 has 0.1"), "{found:?}");
        assert!(found[0].contains("the 3 other pictures") && found[0].contains("0.05"), "{found:?}");
    }

    #[test]
    fn nobody_is_odd_where_the_others_differ_or_are_too_few() {
        assert!(odd(&[("a/1", 0.1), ("a/2", 0.05)]).is_empty());
        assert!(odd(&[("a/1", 0.1), ("a/2", 0.05), ("a/3", 0.025)]).is_empty());
        assert!(odd(&[("1", 0.1), ("2", 0.1), ("3", 0.05), ("4", 0.05)]).is_empty());
        // By hand: two combined uncertainties of 1.5 % are 4.2 %.
        assert!(odd(&[("1", 0.1), ("2", 0.1), ("3", 0.104)]).is_empty());
        assert_eq!(odd(&[("1", 0.1), ("2", 0.1), ("3", 0.105)]).len(), 1);
        // Each folder is looked at by itself.
        assert!(odd(&[("a/1", 0.1), ("a/2", 0.1), ("b/1", 0.05)]).is_empty());
    }

    #[test]
    fn scales_far_apart_are_called_a_likely_mistake() {
        let differ = |sizes: &[f64]| {
            let scales: Vec<Scale> = sizes.iter().map(|&um| scale(um)).collect();
            scales_differ(scales.iter()).map(|warning| warning.message)
        };
        assert_eq!(differ(&[]), None);
        assert_eq!(differ(&[0.1, 0.12]), None);
        assert!(!differ(&[0.1, 0.2]).unwrap().contains("misread"));
        assert!(differ(&[0.1, 0.31]).unwrap().contains("misread"));
    }
}
