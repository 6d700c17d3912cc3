//! The likeliest texts of a line from what the network says for each of its columns.
//!
//! Connectionist temporal classification: at each step the network gives a probability to every sign and to the blank; a
//! text has the probability of all ways to write it with blanks and repetitions (Graves et al. 2006). The search keeps
//! the likeliest beginnings and adds up the ways that lead to each (prefix search after Hannun et al. 2014; both from
//! memory).

/// Beginnings that are kept from step to step.
const KEPT: usize = 24;
/// Signs less likely than this at a step are not tried there.
const LEAST: f64 = 1e-4;

/// A beginning of the text.
#[derive(Clone)]
struct Beginning {
    /// Classes of its signs.
    signs: Vec<usize>,
    /// Probability of all ways that end in a blank, and of those that end in its last sign.
    after_blank: f64,
    after_sign: f64,
}

impl Beginning {
    fn all(&self) -> f64 {
        self.after_blank + self.after_sign
    }
}

/// Texts as classes of signs, with their probabilities, the likeliest first. `steps` holds the probabilities of every
/// class at each step; class 0 is the blank.
pub(super) fn search(steps: &[Vec<f64>]) -> Vec<(Vec<usize>, f64)> {
    let mut kept = vec![Beginning { signs: Vec::new(), after_blank: 1.0, after_sign: 0.0 }];
    for chances in steps {
        let mut next: Vec<Beginning> = Vec::new();
        for beginning in &kept {
            let last = beginning.signs.last().copied();
            let own = entry(&mut next, &beginning.signs);
            own.after_blank += beginning.all() * chances[0];
            if let Some(last) = last {
                own.after_sign += beginning.after_sign * chances[last];
            }
            for (sign, &chance) in chances.iter().enumerate().skip(1).filter(|&(_, &chance)| chance >= LEAST)
            {
                // The same sign twice needs a blank between.
                let ways = if last == Some(sign) { beginning.after_blank } else { beginning.all() };
                let mut longer = beginning.signs.clone();
                longer.push(sign);
                entry(&mut next, &longer).after_sign += ways * chance;
            }
        }
        next.sort_by(|a, b| b.all().total_cmp(&a.all()));
        next.truncate(KEPT);
        kept = next;
    }
    kept.into_iter().map(|b| (b.all(), b.signs)).map(|(chance, signs)| (signs, chance)).collect()
}

fn entry<'a>(list: &'a mut Vec<Beginning>, signs: &[usize]) -> &'a mut Beginning {
    let at = list.iter().position(|b| b.signs == signs).unwrap_or_else(|| {
        list.push(Beginning { signs: signs.to_vec(), after_blank: 0.0, after_sign: 0.0 });
        list.len() - 1
    });
    &mut list[at]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Probability of a text as the sum over every way to write it.
    fn by_counting(steps: &[Vec<f64>], text: &[usize]) -> f64 {
        let classes = steps[0].len();
        let ways = classes.pow(steps.len() as u32);
        (0..ways)
            .map(|way| {
                let path: Vec<usize> =
                    (0..steps.len()).map(|k| way / classes.pow(k as u32) % classes).collect();
                let mut written = path.clone();
                written.dedup();
                written.retain(|&class| class != 0);
                let chance = || path.iter().zip(steps).map(|(&class, step)| step[class]).product::<f64>();
                if written == text { chance() } else { 0.0 }
            })
            .sum()
    }

    #[test]
    fn probabilities_are_those_of_counting_every_way() {
        let steps =
            vec![vec![0.2, 0.5, 0.3], vec![0.4, 0.35, 0.25], vec![0.3, 0.3, 0.4], vec![0.1, 0.6, 0.3]];
        let found = search(&steps);
        assert!((found.iter().map(|(_, chance)| chance).sum::<f64>() - 1.0).abs() < 0.05, "{found:?}");
        for (text, chance) in found.iter().take(4) {
            assert!((chance - by_counting(&steps, text)).abs() < 1e-12, "{text:?}");
        }
        assert!(found.windows(2).all(|pair| pair[0].1 >= pair[1].1));
    }

    #[test]
    fn a_sign_twice_needs_a_blank_between() {
        let one = vec![0.0, 1.0];
        assert_eq!(search(&[one.clone(), one.clone()])[0].0, [1]);
        assert_eq!(search(&[one.clone(), vec![1.0, 0.0], one])[0].0, [1, 1]);
    }
}
