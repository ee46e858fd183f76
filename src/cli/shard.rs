//! One part of the runs, for one of several machines.

use std::ops::Range;
use std::str::FromStr;

/// Most parts, whatever is asked for.
const MOST: usize = 100_000;

/// The part `number` of `of`, from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shard {
    /// Which one, 1 to `of`.
    pub number: usize,
    /// How many there are.
    pub of: usize,
}

impl FromStr for Shard {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let parse = |text: &str| text.trim().parse::<usize>().ok();
        let parts = text.split_once('/').and_then(|(number, of)| Some((parse(number)?, parse(of)?)));
        match parts {
            Some((number, of)) if (1..=of).contains(&number) && of <= MOST => Ok(Self { number, of }),
            _ => Err(format!("wanted K/N with K from 1 to N, such as 3/8, and N at most {MOST}")),
        }
    }
}

impl Shard {
    /// Its runs: neighbours in the order of all, so that the parts one after the other are all of them.
    pub fn of<T>(self, all: &[T]) -> &[T] {
        all.get(self.range(all.len())).unwrap_or(&[])
    }

    fn range(self, count: usize) -> Range<usize> {
        (self.number - 1) * count / self.of..self.number * count / self.of
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_parts_one_after_the_other_are_all_runs() {
        for (count, of) in [(0, 3), (2, 3), (10, 3), (1000, 7), (5, 5)] {
            let mut next = 0;
            for number in 1..=of {
                let part = Shard { number, of }.range(count);
                assert_eq!(part.start, next);
                assert!(part.len() <= count.div_ceil(of));
                next = part.end;
            }
            assert_eq!(next, count);
        }
    }

    #[test]
    fn a_part_is_one_of_as_many_as_are_said() {
        assert_eq!("3/8".parse(), Ok(Shard { number: 3, of: 8 }));
        for text in ["0/8", "9/8", "3", "3/", "/8", "a/b", "1/0", "-1/2", "1/100001", "1/2/3"] {
            assert!(text.parse::<Shard>().is_err(), "{text}");
        }
    }
}
