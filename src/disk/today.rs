//! Today's date: the only clock below the command line.

use time::UtcDateTime;

/// Today, UTC; the environment variable SOURCE_DATE_EPOCH (seconds since 1970, an open convention for reproducible output)
/// takes its place.
pub fn today() -> time::Date {
    let given = std::env::var("SOURCE_DATE_EPOCH").ok().and_then(|text| text.parse().ok());
    let time = given.and_then(|seconds| UtcDateTime::from_unix_timestamp(seconds).ok());
    time.unwrap_or_else(UtcDateTime::now).date()
}
