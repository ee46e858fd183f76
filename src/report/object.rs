//! JSON values whose objects keep the order of their keys: a key stands once, beside its value.

use crate::check::{Limit, Unit, Verdict};
use serde::ser::{Serialize, SerializeMap, Serializer};
use std::io::{self, Write};

/// A JSON value. What does not exist is `null`.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::report) enum Json<'a> {
    Null,
    Bool(bool),
    Count(u64),
    Number(f64),
    Text(&'a str),
    List(Vec<Self>),
    Object(Vec<(&'a str, Self)>),
}

/// An object: `object! { "key": value, … }`.
macro_rules! object {
    ($($key:literal: $value:expr),+ $(,)?) => {
        $crate::report::object::Json::Object(vec![$(($key, $value.into())),+])
    };
}
pub(in crate::report) use object;

impl Serialize for Json<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Null => serializer.serialize_unit(),
            Self::Bool(is) => serializer.serialize_bool(*is),
            Self::Count(count) => serializer.serialize_u64(*count),
            Self::Number(number) => serializer.serialize_f64(*number),
            Self::Text(text) => serializer.serialize_str(text),
            Self::List(items) => items.serialize(serializer),
            Self::Object(entries) => {
                let mut map = serializer.serialize_map(Some(entries.len()))?;
                entries.iter().try_for_each(|(key, value)| map.serialize_entry(key, value))?;
                map.end()
            }
        }
    }
}

/// What a value of a simple type becomes, from itself or from a reference to it.
macro_rules! from {
    ($($type:ty: $value:ident => $json:expr),+ $(,)?) => {$(
        impl From<$type> for Json<'_> {
            fn from($value: $type) -> Self {
                $json
            }
        }

        impl From<&$type> for Json<'_> {
            fn from(value: &$type) -> Self {
                Self::from(*value)
            }
        }
    )+};
}

from! {
    bool: value => Self::Bool(value),
    u64: value => Self::Count(value),
    usize: value => Self::Count(value as u64),
    f64: value => Self::Number(value),
    Verdict: value => Self::Text(value.word()),
    Unit: value => Self::Text(value.symbol()),
    Limit: value => {
        let open = [("min", value.min), ("max", value.max)].into_iter();
        Self::Object(open.filter_map(|(key, bound)| Some((key, Self::Number(bound?)))).collect())
    },
}

impl<'a> From<&'a str> for Json<'a> {
    fn from(text: &'a str) -> Self {
        Self::Text(text)
    }
}

impl<'a> From<&'a String> for Json<'a> {
    fn from(text: &'a String) -> Self {
        Self::Text(text)
    }
}

impl<'a, T: Into<Json<'a>>> From<Option<T>> for Json<'a> {
    fn from(value: Option<T>) -> Self {
        value.map_or(Self::Null, Into::into)
    }
}

impl<'a> From<&'a Option<String>> for Json<'a> {
    fn from(text: &'a Option<String>) -> Self {
        text.as_deref().into()
    }
}

/// A list of what each item becomes.
pub(in crate::report) fn list<'a, T>(
    items: impl IntoIterator<Item = T>,
    json: impl FnMut(T) -> Json<'a>,
) -> Json<'a> {
    Json::List(items.into_iter().map(json).collect())
}

/// An object with keys that are known when it is written.
pub(in crate::report) fn map<'a, T: Into<Json<'a>>>(
    entries: impl IntoIterator<Item = (&'a str, T)>,
) -> Json<'a> {
    Json::Object(entries.into_iter().map(|(key, value)| (key, value.into())).collect())
}

/// Writes a whole result, a line per entry.
pub(in crate::report) fn write_pretty(mut sink: impl Write, result: &impl Serialize) -> io::Result<()> {
    serde_json::to_writer_pretty(&mut sink, result)?;
    sink.write_all(b"\n")?;
    sink.flush()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_keep_their_order_and_what_does_not_exist_is_null() {
        let names = vec![Some("µ\"".to_owned()), None];
        let value = object! {
            "z": 3_u64, "a": Option::<f64>::None, "names": list(&names, Json::from), "is": true, "half": 0.5,
            "limit": Limit { min: None, max: Some(1.0) }, "verdict": Verdict::NotJudged, "unit": Unit::Deg,
        };
        let expected = r#"{"z":3,"a":null,"names":["µ\"",null],"is":true,"half":0.5,"limit":{"max":1.0},"verdict":"not_judged","unit":"deg"}"#;
        assert_eq!(serde_json::to_string(&value).unwrap(), expected);
        assert_eq!(serde_json::to_string(&Json::from(f64::NAN)).unwrap(), "null");
    }
}
