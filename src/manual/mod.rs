//! The manual, a chapter per question. At the terminal `loopgauge help CHAPTER` reads it, and `loopgauge man --section 7`
//! writes it as manual pages.
//!
//! A chapter names another one in brackets, as in "chapter `[sanity]`".

/// A chapter of the manual.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Chapter {
    /// How it is asked for: one word, no name of a command.
    pub name: &'static str,
    /// Its text, in Markdown; the first line is its title.
    pub text: &'static str,
}

impl Chapter {
    /// What it is about.
    #[must_use]
    pub fn title(&self) -> &'static str {
        self.text.lines().next().unwrap_or_default().trim_start_matches("# ")
    }
}

/// A module per chapter, whose documentation it is, and the list of all.
macro_rules! chapters {
    ($($name:ident)*) => {
        $(
            #[doc = include_str!(concat!(stringify!($name), ".md"))]
            pub mod $name {}
        )*

        /// All chapters, in the order in which a newcomer reads them.
        pub const CHAPTERS: &[Chapter] = &[
            $(Chapter { name: stringify!($name), text: include_str!(concat!(stringify!($name), ".md")) },)*
        ];
    };
}

chapters! {
    first commands specs files lab collecting computing uncertainty sanity circuit regression builds sql reports ci library line cautions changes
}

/// The chapter of this name.
#[must_use]
pub fn chapter(name: &str) -> Option<&'static Chapter> {
    CHAPTERS.iter().find(|chapter| chapter.name == name)
}
