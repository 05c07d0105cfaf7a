//! A new matrix against a kept one: what got worse.

use super::Row;
use std::collections::BTreeMap;

/// Faults of a kept table of which each machine was named rightly.
fn all_right(kept: &str) -> BTreeMap<&str, bool> {
    let mut whole = BTreeMap::new();
    let Some(width) = kept.lines().find_map(|line| line.find("looks like")) else { return whole };
    for line in kept.lines() {
        let name = line.get(..width).unwrap_or("").trim();
        let share = line.rsplit("  ").next().and_then(|end| end.trim().split_once(" of "));
        if let Some((Ok(right), Ok(all))) = share.map(|(a, b)| (a.trim().parse::<u32>(), b.parse::<u32>()))
            && !name.is_empty()
        {
            whole.insert(name, right == all);
        }
    }
    whole
}

/// What must not be, in words: a machine that passes with its fault or is taken for the look-alike, and one of a fault that the
/// kept table names on each machine and this one does not.
#[must_use]
pub fn worse(rows: &[Row], kept: &str) -> Vec<String> {
    let kept = all_right(kept);
    let mut out = Vec::new();
    for row in rows {
        let said = || row.said.iter().map(|(text, count)| format!("{text} ({count})")).collect::<Vec<_>>().join(", ");
        if row.wrong_passes > 0 {
            out.push(format!("{}: {} of {} pass", row.fault, row.wrong_passes, row.machines));
        }
        if row.mistaken > 0 {
            out.push(format!("{}: {} of {} taken for: {}", row.fault, row.mistaken, row.machines, row.look_alike));
        }
        match kept.get(row.fault) {
            None => out.push(format!("{}: the kept table has no such fault: make it anew", row.fault)),
            Some(true) if row.right < row.machines => {
                out.push(format!("{}: {} of {} named, said: {}", row.fault, row.right, row.machines, said()));
            }
            Some(_) => {}
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::{all, text};
    use super::*;

    const KEPT: &str = include_str!("../../snapshots/fault-matrix-seed-1.txt");

    fn row(fault: &'static str, right: usize, mistaken: usize, wrong_passes: usize) -> Row {
        let said = vec![("something".to_owned(), 3)];
        Row { fault, look_alike: "another", sequence: "", said, right, mistaken, wrong_passes, machines: 3 }
    }

    #[test]
    fn the_kept_table_holds_every_fault() {
        let kept = all_right(KEPT);
        for fault in all() {
            assert!(kept.contains_key(fault.name), "{}", fault.name);
        }
        assert_eq!(kept.len(), all().count());
    }

    #[test]
    fn only_what_got_worse_is_said() {
        let rows = [row("one", 3, 0, 0), row("two", 2, 0, 0)];
        let kept = text(&rows, 1);
        for (row, expected) in [
            (row("one", 3, 0, 0), None),
            (row("two", 0, 0, 0), None),
            (row("one", 2, 0, 0), Some("one: 2 of 3 named")),
            (row("two", 2, 1, 0), Some("two: 1 of 3 taken for")),
            (row("two", 2, 0, 1), Some("two: 1 of 3 pass")),
            (row("three", 3, 0, 0), Some("three: the kept table has no such fault")),
        ] {
            let found = worse(std::slice::from_ref(&row), &kept);
            assert_eq!(found.len(), usize::from(expected.is_some()), "{found:?}");
            assert!(expected.is_none_or(|text| found[0].starts_with(text)), "{found:?}");
        }
    }
}
