//! A commented spec to start from.

/// The text, with the place of the product's name.
const TEMPLATE: &str = include_str!("spec.template");

/// A spec of a product that loads as it is, with comments that say what to decide. `product` is an identifier: letters,
/// digits, `.`, `_` and `-`; whoever loads the text is told when it is not.
///
/// ```
/// let text = loopgauge::begin::spec_text("river-gauge-5v");
/// let files = |_: &str| Ok(text.clone().into_bytes());
/// assert!(loopgauge::spec::load("river-gauge-5v.yaml", &files).is_ok());
/// ```
#[must_use]
pub fn spec_text(product: &str) -> String {
    TEMPLATE.replace("PRODUCT", product)
}
