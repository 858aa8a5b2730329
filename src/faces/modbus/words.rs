//! Values as register words: high byte first, high word first, with a word pattern that says "no value" where a type has one.
//!
//! Pure. Must never round a value into another one's pattern for "no value".

/// How a value is laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Unsigned, one register.
    U16,
    /// Unsigned, two registers; 0xFFFFFFFF is no value.
    U32,
    /// Unsigned, four registers; all ones is no value.
    U64,
    /// IEEE 754 single, two registers; NaN (0x7FC00000) is no value.
    F32,
    /// UTF-8, this many registers, padded with zeros.
    Text(u16),
}

impl Kind {
    /// Registers it takes.
    pub fn width(self) -> u16 {
        match self {
            Kind::U16 => 1,
            Kind::U32 | Kind::F32 => 2,
            Kind::U64 => 4,
            Kind::Text(width) => width,
        }
    }

    /// Name in documents.
    pub fn name(self) -> &'static str {
        match self {
            Kind::U16 => "u16",
            Kind::U32 => "u32",
            Kind::U64 => "u64",
            Kind::F32 => "f32",
            Kind::Text(_) => "utf8",
        }
    }
}

/// A value before it is laid out.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// A whole number.
    Whole(u64),
    /// A real number.
    Real(f64),
    /// Text.
    Text(String),
    /// No value.
    None,
}

impl From<Option<f64>> for Value {
    fn from(value: Option<f64>) -> Value {
        value.map_or(Value::None, Value::Real)
    }
}

impl From<Option<u64>> for Value {
    fn from(value: Option<u64>) -> Value {
        value.map_or(Value::None, Value::Whole)
    }
}

impl From<u16> for Value {
    fn from(value: u16) -> Value {
        Value::Whole(value.into())
    }
}

impl From<u32> for Value {
    fn from(value: u32) -> Value {
        Value::Whole(value.into())
    }
}

/// Writes a value into the words of its place. A number too large for its kind is the largest that is not "no value"; a
/// whole number in a one-register place has no pattern for that and is then 0.
pub fn lay_out(kind: Kind, value: &Value, into: &mut [u16]) {
    into.fill(0);
    match (kind, value) {
        (Kind::U16, Value::Whole(n)) => put(&u16::try_from(*n).unwrap_or(u16::MAX).to_be_bytes(), into),
        (Kind::U32, Value::Whole(n)) => {
            put(&u32::try_from(*n).unwrap_or(u32::MAX).min(u32::MAX - 1).to_be_bytes(), into);
        }
        (Kind::U64, Value::Whole(n)) => put(&(*n).min(u64::MAX - 1).to_be_bytes(), into),
        (Kind::F32, Value::Real(x)) if x.is_finite() => {
            let limit = f64::from(f32::MAX);
            put(&(x.clamp(-limit, limit) as f32).to_be_bytes(), into);
        }
        (Kind::F32, _) => put(&0x7FC0_0000u32.to_be_bytes(), into),
        (Kind::U32 | Kind::U64, _) => into.fill(u16::MAX),
        (Kind::Text(width), Value::Text(text)) => put(fitting(text, 2 * usize::from(width)).as_bytes(), into),
        (Kind::U16 | Kind::Text(_), _) => {}
    }
}

fn put(bytes: &[u8], into: &mut [u16]) {
    for (word, pair) in into.iter_mut().zip(bytes.chunks(2)) {
        *word = u16::from_be_bytes([pair[0], pair.get(1).copied().unwrap_or(0)]);
    }
}

/// As much of a text as fits in so many bytes without cutting a character.
pub fn fitting(text: &str, bytes: usize) -> &str {
    let mut end = text.len().min(bytes);
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    &text[..end]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(kind: Kind, value: &Value) -> Vec<u16> {
        let mut into = vec![0xAAAA; usize::from(kind.width())];
        lay_out(kind, value, &mut into);
        into
    }

    #[test]
    fn values_are_laid_out_high_word_first() {
        assert_eq!(words(Kind::U16, &Value::Whole(0x1234)), [0x1234]);
        assert_eq!(words(Kind::U32, &Value::Whole(0x0001_0002)), [1, 2]);
        assert_eq!(words(Kind::U64, &Value::Whole(0x0001_0002_0003_0004)), [1, 2, 3, 4]);
        // 1.0 is 0x3F800000 (IEEE 754).
        assert_eq!(words(Kind::F32, &Value::Real(1.0)), [0x3F80, 0]);
        assert_eq!(words(Kind::Text(3), &Value::Text("PM-1".into())), [0x504D, 0x2D31, 0]);
    }

    #[test]
    fn no_value_has_its_pattern_and_a_value_never_does() {
        assert_eq!(words(Kind::F32, &Value::None), [0x7FC0, 0]);
        assert_eq!(words(Kind::F32, &Value::Real(f64::INFINITY)), [0x7FC0, 0]);
        assert_eq!(words(Kind::F32, &Value::Real(1e300)), [0x7F7F, 0xFFFF]);
        assert_eq!(words(Kind::U32, &Value::None), [0xFFFF, 0xFFFF]);
        assert_eq!(words(Kind::U32, &Value::Whole(u64::MAX)), [0xFFFF, 0xFFFE]);
        assert_eq!(words(Kind::U64, &Value::None), [0xFFFF; 4]);
        assert_eq!(words(Kind::U64, &Value::Whole(u64::MAX)), [0xFFFF, 0xFFFF, 0xFFFF, 0xFFFE]);
        assert_eq!(words(Kind::U16, &Value::None), [0]);
    }

    #[test]
    fn a_long_text_is_cut_between_characters() {
        assert_eq!(fitting("Mühle", 2), "M");
        assert_eq!(fitting("Mühle", 3), "Mü");
        assert_eq!(words(Kind::Text(1), &Value::Text("Mühle".into())), [0x4D00]);
    }
}
