//! Series whose numbers are known, so that recording asks for each but once.

use std::collections::HashMap;

/// Of a corner: quantity, unit, number.
type OfCorner = Vec<(String, String, i64)>;

/// Numbers of series that are known to be in the database, by product and corner.
#[derive(Debug, Default)]
pub(super) struct KnownSeries(HashMap<String, HashMap<String, OfCorner>>);

impl KnownSeries {
    /// The number of a series by product, corner, quantity and unit.
    pub(super) fn get(&self, [product, corner, quantity, unit]: [&str; 4]) -> Option<i64> {
        let of_corner = self.0.get(product)?.get(corner)?;
        of_corner.iter().find(|(q, u, _)| q == quantity && u == unit).map(|(.., number)| *number)
    }

    /// Adds one that is not known.
    pub(super) fn insert(&mut self, [product, corner, quantity, unit]: [&str; 4], number: i64) {
        let of_product = self.0.entry(product.to_owned()).or_default();
        let of_corner = of_product.entry(corner.to_owned()).or_default();
        of_corner.push((quantity.to_owned(), unit.to_owned(), number));
    }

    /// Forgets all.
    pub(super) fn clear(&mut self) {
        self.0.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::KnownSeries;

    #[test]
    fn each_part_of_a_key_counts() {
        let mut known = KnownSeries::default();
        let key = ["river-gauge-5v", "24V-3A", "crossover_hz", "Hz"];
        known.insert(key, 7);
        known.insert(["river-gauge-5v", "24V-3A", "phase_margin_deg", "deg"], 8);
        assert_eq!(known.get(key), Some(7));
        for part in 0..key.len() {
            let mut other = key;
            other[part] = "another";
            assert_eq!(known.get(other), None, "{part}");
        }
        known.clear();
        assert_eq!(known.get(key), None);
    }
}
