//! Which protocol fault, if any, befalls a request.
//!
//! Pure: the request's number and station time come in, a decision comes out. Must never send a byte.

use std::time::Duration;

use crate::monitor_file::FaultFile;

/// What is done to an answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Answered later, and all that follow wait.
    Slow(Duration),
    /// Never answered.
    Silent,
    /// Answered with an exception.
    Exception(u8),
    /// The connection is closed.
    Drop,
    /// Another transaction id; over RTU, which has none, a damaged CRC.
    WrongTransaction,
    /// Another unit id.
    WrongUnit,
    /// The first half of the frame, then nothing.
    Truncated,
    /// As many bytes, but random.
    Garbage,
    /// A well-formed response with fewer values than asked for.
    ShortCount,
    /// The values of the first request it befell, for ever.
    Frozen,
    /// Answered late, while requests after it are answered at once: overtaken by newer answers.
    Late(Duration),
}

/// A checked fault.
#[derive(Debug, Clone)]
pub(crate) struct Fault {
    kind: Kind,
    every: Option<u64>,
    from_s: f64,
    to_s: f64,
}

impl Fault {
    /// Checks a fault; the error is a sentence.
    pub(crate) fn new(file: &FaultFile) -> Result<Fault, String> {
        let ms = |default: u64| Duration::from_millis(file.ms.unwrap_or(default));
        let kind = match file.kind.as_str() {
            "slow" => Kind::Slow(ms(300)),
            "silent" => Kind::Silent,
            "exception" => Kind::Exception(file.code.unwrap_or(4)),
            "drop" => Kind::Drop,
            "wrong-transaction" => Kind::WrongTransaction,
            "wrong-unit" => Kind::WrongUnit,
            "truncated" => Kind::Truncated,
            "garbage" => Kind::Garbage,
            "short-count" => Kind::ShortCount,
            "frozen" => Kind::Frozen,
            "late" => Kind::Late(ms(3000)),
            other => return Err(format!("protocol fault \"{other}\" is not known")),
        };
        if file.every == Some(0) {
            return Err("every must be at least 1".to_owned());
        }
        if file.code.is_some() && file.kind != "exception" {
            return Err(format!("code does not go with \"{}\"", file.kind));
        }
        if file.ms.is_some() && !matches!(file.kind.as_str(), "slow" | "late") {
            return Err(format!("ms does not go with \"{}\"", file.kind));
        }
        Ok(Fault {
            kind,
            every: file.every,
            from_s: file.from_s.unwrap_or(f64::NEG_INFINITY),
            to_s: file.to_s.unwrap_or(f64::INFINITY),
        })
    }

    /// True when it befalls request `number` (from 1) at a station time.
    fn applies(&self, number: u64, t_s: f64) -> bool {
        self.every.is_none_or(|every| number.is_multiple_of(every)) && self.from_s <= t_s && t_s < self.to_s
    }
}

/// The first fault that applies.
pub(crate) fn decide(faults: &[Fault], number: u64, t_s: f64) -> Option<Kind> {
    faults.iter().find(|fault| fault.applies(number, t_s)).map(|fault| fault.kind)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fault(kind: &str) -> FaultFile {
        FaultFile { kind: kind.to_owned(), ..FaultFile::default() }
    }

    #[test]
    fn faults_come_every_nth_request_and_within_their_time() {
        let faults = [
            Fault::new(&FaultFile { every: Some(3), ..fault("silent") }).unwrap(),
            Fault::new(&FaultFile { from_s: Some(10.0), to_s: Some(20.0), ..fault("drop") }).unwrap(),
        ];
        assert_eq!(decide(&faults, 1, 0.0), None);
        assert_eq!(decide(&faults, 3, 0.0), Some(Kind::Silent));
        assert_eq!(decide(&faults, 6, 15.0), Some(Kind::Silent), "the first wins");
        assert_eq!(decide(&faults, 7, 15.0), Some(Kind::Drop));
        assert_eq!(decide(&faults, 7, 20.0), None);
    }

    #[test]
    fn senseless_faults_are_refused() {
        for (file, words) in [
            (fault("sulky"), "not known"),
            (FaultFile { every: Some(0), ..fault("drop") }, "at least 1"),
            (FaultFile { code: Some(2), ..fault("drop") }, "code"),
            (FaultFile { ms: Some(2), ..fault("drop") }, "ms"),
        ] {
            let error = Fault::new(&file).unwrap_err();
            assert!(error.contains(words), "{error}");
        }
    }
}
