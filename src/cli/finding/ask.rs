//! Questions to a person at a terminal, or to lines of standard input. Asks again until an answer is right, or until there are
//! no more. Must never take an empty answer for one.

use std::io::{BufRead, Write};

use anyhow::{Context, bail};

/// Asks on one stream and reads answers from another.
pub(super) struct Asker<R, W> {
    answers: R,
    questions: W,
}

impl<R: BufRead, W: Write> Asker<R, W> {
    pub(super) fn new(answers: R, questions: W) -> Asker<R, W> {
        Asker { answers, questions }
    }

    /// An answer that `read` takes; `option` is named to whoever gives none.
    pub(super) fn ask<T>(
        &mut self,
        question: &str,
        option: &str,
        read: impl Fn(&str) -> Result<T, String>,
    ) -> anyhow::Result<T> {
        loop {
            write!(self.questions, "{question}: ")?;
            self.questions.flush()?;
            let mut line = String::new();
            if self.answers.read_line(&mut line).context("standard input")? == 0 {
                writeln!(self.questions)?;
                bail!("no answer, and nothing was added; give {option}");
            }
            let answer = line.trim();
            if answer.is_empty() {
                continue;
            }
            match read(answer) {
                Ok(value) => return Ok(value),
                Err(why) => writeln!(self.questions, "  {why}")?,
            }
        }
    }

    /// The place of a word among those there are: as given, the only one, or asked for by word or number.
    pub(super) fn pick(
        &mut self,
        what: &str,
        option: &str,
        given: Option<&str>,
        words: &[&str],
    ) -> anyhow::Result<usize> {
        let place = |word: &str| words.iter().position(|known| known.eq_ignore_ascii_case(word));
        if let Some(given) = given {
            return place(given)
                .with_context(|| format!("{option}: \"{given}\" is not one of these: {}", words.join(", ")));
        }
        if words.len() == 1 {
            writeln!(self.questions, "{what}: {}", words[0])?;
            return Ok(0);
        }
        for (n, word) in words.iter().enumerate() {
            writeln!(self.questions, "  {:>3}  {word}", n + 1)?;
        }
        self.ask(&format!("{what}, by number or name"), option, |answer| {
            let numbered = answer.parse().ok().filter(|n| (1..=words.len()).contains(n)).map(|n: usize| n - 1);
            place(answer).or(numbered).ok_or_else(|| format!("not one of these: {}", words.join(", ")))
        })
    }
}
