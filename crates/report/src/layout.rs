//! JSON with a line per field, but arrays on one line: a mapping of 35 x 4 numbers is
//! one thing to a reader, not 140 lines.

use serde::Serialize;
use serde_json::ser::{Formatter, PrettyFormatter};
use std::io::{self, Write};

/// Indents objects as usual and leaves arrays on their line.
#[derive(Default)]
struct OneLinePerField {
    objects: PrettyFormatter<'static>,
}

impl Formatter for OneLinePerField {
    fn begin_array_value<W: Write + ?Sized>(&mut self, to: &mut W, first: bool) -> io::Result<()> {
        if first { Ok(()) } else { to.write_all(b", ") }
    }

    fn begin_object<W: Write + ?Sized>(&mut self, to: &mut W) -> io::Result<()> {
        self.objects.begin_object(to)
    }

    fn end_object<W: Write + ?Sized>(&mut self, to: &mut W) -> io::Result<()> {
        self.objects.end_object(to)
    }

    fn begin_object_key<W: Write + ?Sized>(&mut self, to: &mut W, first: bool) -> io::Result<()> {
        self.objects.begin_object_key(to, first)
    }

    fn begin_object_value<W: Write + ?Sized>(&mut self, to: &mut W) -> io::Result<()> {
        self.objects.begin_object_value(to)
    }

    fn end_object_value<W: Write + ?Sized>(&mut self, to: &mut W) -> io::Result<()> {
        self.objects.end_object_value(to)
    }
}

/// The bytes of a file: UTF-8, fields in the order of the types, a line each.
pub(crate) fn to_json(value: &impl Serialize) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut to = serde_json::Serializer::with_formatter(&mut bytes, OneLinePerField::default());
    value
        .serialize(&mut to)
        .expect("all keys are text, and writing to memory does not fail");
    bytes.push(b'\n');
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Serialize;
    use serde_json::json;

    #[test]
    fn objects_are_indented_and_arrays_are_not() {
        let value = json!({"a": [[1, 2], [3, 4]], "b": [{"c": null}, {}], "d": []});
        let mut bytes = Vec::new();
        let formatter = OneLinePerField::default();
        let mut to = serde_json::Serializer::with_formatter(&mut bytes, formatter);
        value.serialize(&mut to).unwrap();
        let want = "{\n  \"a\": [[1, 2], [3, 4]],\n  \"b\": [{\n    \"c\": null\n  }, {}],\n  \"d\": []\n}";
        assert_eq!(String::from_utf8(bytes).unwrap(), want);
    }
}
