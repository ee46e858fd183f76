//! What `drift --store` keeps: the movements it found, for the view `movements`. They stand for what was known when they were stored, and no
//! verdict is read from them again.

use super::database::Value;
use super::error::HistoryError;
use super::store::History;
use crate::drift::ProductDrift;
use crate::quantity::calendar::rfc_3339;
use time::UtcDateTime;

const TABLE: &str = "movement (product, corner, quantity, unit, kind, axis, since, since_low, since_high, newest, probability, size, \
                     size_low, size_high, relevant, share_eaten, message, stored)";
const COLUMNS: usize = 18;

impl History {
    /// Puts the movements of products in the place of those that were stored of them; what was found of other products stays.
    ///
    /// # Errors
    /// When the history cannot be written.
    pub fn store_movements(
        &mut self,
        products: &[ProductDrift],
        now: UtcDateTime,
    ) -> Result<(), HistoryError> {
        let now = rfc_3339(now);
        self.write(|database, _| {
            for product in products {
                let name: Value<'_> = product.product.as_str().into();
                database.execute("DELETE FROM movement WHERE product = ?1", &[name])?;
                database.insert(TABLE, COLUMNS, &rows(product, &now))?;
            }
            Ok(())
        })
    }
}

/// A row a series of each movement.
fn rows<'a>(product: &'a ProductDrift, now: &'a str) -> Vec<Value<'a>> {
    let label = |group: usize| product.groups.get(group).map(|head| head.label.as_str());
    let newest = product.groups.last().map(|head| head.label.as_str());
    let of_joint = |joint: &'a crate::drift::JointMovement| {
        joint.series.iter().flat_map(move |moved| {
            [
                product.product.as_str().into(),
                moved.corner.as_str().into(),
                moved.quantity.as_str().into(),
                moved.unit.symbol().into(),
                joint.kind.name().into(),
                product.over.name().into(),
                label(joint.since.group).into(),
                label(joint.since.low).into(),
                label(joint.since.high).into(),
                newest.into(),
                joint.probability.into(),
                moved.size.value.into(),
                moved.size.low.into(),
                moved.size.high.into(),
                moved.relevant.into(),
                moved.share_eaten.into(),
                joint.message.as_str().into(),
                now.into(),
            ]
        })
    };
    product.movements.iter().flat_map(of_joint).collect()
}
