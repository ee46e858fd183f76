//! Tables in boxes that scroll sideways where the page is too narrow for them.

use maud::{Markup, Render, html};

/// A table that is a sheet of its own. `label` is its name for who hears the page, `class` its classes in the style sheet.
pub(super) fn sheet<T: Render>(
    label: &str,
    class: &str,
    titles: impl IntoIterator<Item = T>,
    rows: &Markup,
) -> Markup {
    html! { div.sheet.wide tabindex="0" role="group" aria-label=(label) { (table(class, titles, rows)) } }
}

/// A table inside of a sheet.
pub(super) fn inner<T: Render>(
    label: &str,
    class: &str,
    titles: impl IntoIterator<Item = T>,
    rows: &Markup,
) -> Markup {
    html! { div.wide tabindex="0" role="group" aria-label=(label) { (table(class, titles, rows)) } }
}

fn table<T: Render>(class: &str, titles: impl IntoIterator<Item = T>, rows: &Markup) -> Markup {
    html! { table class=(class) { (head(titles)) tbody { (rows) } } }
}

/// The head of a table: a title for each column.
pub(super) fn head<T: Render>(titles: impl IntoIterator<Item = T>) -> Markup {
    html! { thead { tr { @for title in titles { th scope="col" { (title) } } } } }
}
