//! Which files of a folder are one sequence: names that differ in one number only.

use crate::error::grouped;
use crate::facts::{Remark, RemarkCode};

/// A sequence among the names of a folder.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Numbered {
    /// Indices into the names, by number.
    pub members: Vec<usize>,
    /// What is odd about the numbers, in particular gaps.
    pub warnings: Vec<Remark>,
}

/// More digits are a date or the like, and no count.
const MOST_DIGITS: usize = 18;

/// Most gaps that are named one by one.
const GAPS_NAMED: usize = 5;

/// The longest sequence among `names` that holds `member` (an index), or, where none is given, the
/// longest of all. Numbers may have leading zeros or none; the extension may be in any case.
///
/// `None` where not even two names are alike but for a number.
pub fn numbered(names: &[String], member: Option<usize>) -> Option<Numbered> {
    let mut keys: Vec<(String, u64, usize)> = Vec::new();
    for (index, name) in names.iter().enumerate() {
        keys.extend(digit_runs(name).map(|(key, number)| (key, number, index)));
    }
    keys.sort();
    // Of equally long ones the first by name; of one name's, the one whose number runs.
    let mut best: &[(String, u64, usize)] = &[];
    for group in keys.chunk_by(|a, b| a.0 == b.0) {
        let fits = member.is_none_or(|member| group.iter().any(|(_, _, i)| *i == member));
        if fits && group.len() > best.len() {
            best = group;
        }
    }
    (best.len() > 1).then(|| Numbered {
        members: best.iter().map(|(_, _, index)| *index).collect(),
        warnings: gaps(&best.iter().map(|(_, number, _)| *number).collect::<Vec<_>>()),
    })
}

/// Every run of digits before the extension: the name with a mark in its place, and the number.
fn digit_runs(name: &str) -> impl Iterator<Item = (String, u64)> {
    let end = name.rfind('.').unwrap_or(name.len());
    let extension = name[end..].to_ascii_lowercase();
    let stem = &name[..end];
    let mut runs = Vec::new();
    let mut start = None;
    for (i, c) in stem.char_indices().chain([(end, '.')]) {
        match (start, c.is_ascii_digit()) {
            (None, true) => start = Some(i),
            (Some(from), false) => {
                runs.push((from, i));
                start = None;
            }
            _ => {}
        }
    }
    let numbers = runs.into_iter().filter(|(from, to)| to - from <= MOST_DIGITS);
    let parsed = numbers.filter_map(|(from, to)| {
        let number = stem[from..to].parse().ok()?;
        Some((format!("{}\0{}{extension}", &stem[..from], &stem[to..]), number))
    });
    parsed.collect::<Vec<_>>().into_iter()
}

/// What is missing between numbers in order.
fn gaps(numbers: &[u64]) -> Vec<Remark> {
    let steps: Vec<u64> = numbers.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let step = steps.iter().copied().filter(|step| *step > 0).min().unwrap_or(1);
    let wide: Vec<(u64, u64)> = numbers
        .windows(2)
        .filter(|pair| pair[1] - pair[0] > step)
        .map(|pair| (pair[0] + step, pair[1] - step))
        .collect();
    // Numbers that leap everywhere are times, or every so many of a longer count.
    if wide.is_empty() || (wide.len() * 2 > steps.len() && steps.len() > 2) {
        return Vec::new();
    }
    let missing: u64 = wide.iter().map(|(from, to)| (to.saturating_sub(*from)) / step + 1).sum();
    let named: Vec<String> = wide
        .iter()
        .take(GAPS_NAMED)
        .map(|(from, to)| if to > from { format!("{from} to {to}") } else { from.to_string() })
        .collect();
    let frames = if missing == 1 { "frame is" } else { "frames are" };
    let more = if wide.len() > GAPS_NAMED { ", ..." } else { "" };
    vec![Remark::new(
        RemarkCode::Gaps,
        format!(
            "{} {frames} missing from the numbers of the sequence: {}{more}; the others are used",
            grouped(missing),
            named.join(", ")
        ),
    )]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(list: &[&str]) -> Vec<String> {
        list.iter().map(|name| (*name).to_string()).collect()
    }

    fn found(list: &[&str], member: Option<usize>) -> Option<Vec<String>> {
        let all = names(list);
        let members = numbered(&all, member)?.members;
        Some(members.iter().map(|i| all[*i].clone()).collect())
    }

    #[test]
    fn numbers_run_with_and_without_leading_zeros() {
        let want = |list: &[&str]| Some(names(list));
        assert_eq!(
            found(&["r10.png", "r2.png", "r1.png"], None),
            want(&["r1.png", "r2.png", "r10.png"])
        );
        assert_eq!(
            found(&["a_0002.TIF", "a_0000.tif", "note.txt", "b_0001.tif"], Some(0)),
            want(&["a_0000.tif", "a_0002.TIF"])
        );
        // The number that runs is told from those that stay.
        assert_eq!(
            found(&["2024-11-15_m42_001_x2.fits", "2024-11-15_m42_002_x2.fits"], Some(1)),
            want(&["2024-11-15_m42_001_x2.fits", "2024-11-15_m42_002_x2.fits"])
        );
        assert_eq!(found(&["1.png", "2.jpg", "x.png"], Some(0)), None);
        assert_eq!(
            found(&["ü1.png", "ü2.png", "999999999999999999999.png"], None),
            want(&["ü1.png", "ü2.png"])
        );
        assert_eq!(found(&[], None), None);
    }

    #[test]
    fn gaps_are_named() {
        let words =
            |numbers: &[u64]| gaps(numbers).into_iter().map(|r| r.message).collect::<String>();
        assert_eq!(words(&[0, 1, 2, 3]), "");
        assert!(
            words(&[0, 1, 2, 3, 5, 6])
                .starts_with("1 frame is missing from the numbers of the sequence: 4;")
        );
        assert!(words(&[10, 20, 30, 70, 80, 90]).contains("3 frames are missing"));
        assert!(words(&[1, 2, 3, 4, 8, 9, 10]).contains("5 to 7"));
        // Times, or a choice of frames: no count.
        assert_eq!(words(&[3, 17, 20, 48, 110]), "");
    }
}
