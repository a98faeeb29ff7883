//! Sets of sequence numbers as ranges without holes.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;

/// A set of numbers, kept as the ranges it is made of. A backlog of a million frames is one range.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Ranges(BTreeMap<u64, u64>);

impl Ranges {
    /// Whether the number is in the set.
    pub fn contains(&self, number: u64) -> bool {
        self.0.range(..=number).next_back().is_some_and(|(_, last)| *last >= number)
    }

    /// Takes in every number of the range; an empty range changes nothing.
    pub fn insert(&mut self, range: RangeInclusive<u64>) {
        if range.is_empty() {
            return;
        }
        let (mut first, mut last) = range.into_inner();
        // Every range that overlaps or touches the new one melts into it.
        let reach = last.saturating_add(1);
        while let Some((&f, &l)) = self.0.range(..=reach).next_back() {
            if l.saturating_add(1) < first {
                break;
            }
            first = first.min(f);
            last = last.max(l);
            self.0.remove(&f);
        }
        self.0.insert(first, last);
    }

    /// The ranges, lowest first.
    pub fn iter(&self) -> impl Iterator<Item = RangeInclusive<u64>> + '_ {
        self.0.iter().map(|(first, last)| *first..=*last)
    }

    /// How many ranges.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Whether nothing is in it.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Every number of both.
    pub fn union(&self, other: &Ranges) -> Ranges {
        let mut all = self.clone();
        other.iter().for_each(|range| all.insert(range));
        all
    }

    /// The holes between the ranges, lowest first.
    pub fn holes(&self) -> impl Iterator<Item = RangeInclusive<u64>> + '_ {
        self.0.iter().zip(self.0.keys().skip(1)).map(|((_, last), next)| last + 1..=next - 1)
    }

    /// The first range.
    pub fn first(&self) -> Option<RangeInclusive<u64>> {
        self.iter().next()
    }

    /// The highest number.
    pub fn highest(&self) -> Option<u64> {
        self.0.last_key_value().map(|(_, last)| *last)
    }
}

impl FromIterator<RangeInclusive<u64>> for Ranges {
    fn from_iter<I: IntoIterator<Item = RangeInclusive<u64>>>(ranges: I) -> Self {
        let mut set = Ranges::default();
        ranges.into_iter().for_each(|range| set.insert(range));
        set
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    #[test]
    fn the_ends_of_the_number_line_are_no_trouble() {
        let mut set = Ranges::default();
        set.insert(u64::MAX..=u64::MAX);
        set.insert(0..=0);
        assert!(set.contains(0) && set.contains(u64::MAX) && !set.contains(1));
        set.insert(1..=u64::MAX - 1);
        assert_eq!(set.iter().collect::<Vec<_>>(), vec![0..=u64::MAX]);
    }

    proptest! {
        #[test]
        fn behaves_like_a_plain_set(ranges in prop::collection::vec((0u64..60, 0u64..8), 0..20)) {
            let mut plain = BTreeSet::new();
            let mut set = Ranges::default();
            for (first, length) in ranges {
                plain.extend(first..first + length);
                #[allow(clippy::reversed_empty_ranges)]
                set.insert(if length == 0 { 1..=0 } else { first..=first + length - 1 });
            }
            for number in 0..70 {
                prop_assert_eq!(set.contains(number), plain.contains(&number));
            }
            // As few ranges as can be: no two of them touch.
            prop_assert!(set.holes().all(|hole| !hole.is_empty()));
            prop_assert_eq!(set.highest(), plain.last().copied());
        }
    }
}
