//! Cutting a stream of bytes into lines, stamping them, and deciding which to believe.
//!
//! The stream may be cut anywhere: how the bytes are spread over reads changes stamps, never values.

use std::mem;
use std::time::Duration;

use zonda_model::{Coded, Quality, Stamp};

use super::format::TextFormat;
use super::reject::{Reject, Why};

/// One line of the stream.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// When its first byte came: the time of the read that it began in. Of lines that began in one
    /// read together, all but the last are spread evenly over the time since the read before, and
    /// their codes carry [`Quality::BACKLOG`]. Stamps of one reader strictly increase.
    pub at: Stamp,
    /// The codes in the order of [`TextFormat::fields`], or why the line is not believed.
    pub outcome: Result<Vec<Coded>, Reject>,
}

/// What came through a reader since it was made.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Bytes of any kind.
    pub bytes: u64,
    /// Lines that were believed.
    pub believed: u64,
    /// Lines outside the format.
    pub rejected: u64,
    /// Well-formed lines that were not believed for what came, or did not come, before them.
    pub unproven: u64,
    /// Believed lines whose stamp is interpolated.
    pub backlog: u64,
    /// Bytes that were dropped because they came before the first terminator of an opened stream.
    pub bytes_before_first: u64,
}

/// How much a stream's next line is believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Trust {
    /// The stream was opened somewhere inside a line.
    MidLine,
    /// A line begins, and none was seen before it.
    Unproven,
    /// A line begins, and the one before it was rejected.
    Doubted,
    /// The line before was well formed, the one before that was rejected.
    Renewed,
    /// The line before was well formed.
    Believed,
}

/// What a stream is taken for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stream {
    /// A device that talks by itself: a line is believed where the one before it was well formed.
    Continuous,
    /// Answers of a device that was silent before: the first line is believed without another.
    Answers,
}

/// Makes lines out of bytes as they come. Its memory is bounded by the longest line of the format.
///
/// Give it bytes in the order in which they came, with the time of the read, and tell it by
/// [`LineReader::restart`] whenever the stream was broken off.
#[derive(Clone, Debug)]
pub struct LineReader {
    format: TextFormat,
    stream: Stream,
    trust: Trust,
    /// The line that has begun, and as much of a terminator as has come.
    partial: Vec<u8>,
    /// True where the line that has begun was too long and is being dropped.
    endless: bool,
    /// When the line in `partial` began; `None` while it began in the read at hand.
    begun: Option<Stamp>,
    last_read: Stamp,
    last_line: Option<Stamp>,
    counts: Counts,
}

/// A line that was cut out and is to be stamped and judged.
struct Cut {
    begun: Option<Stamp>,
    outcome: Result<Vec<Coded>, Reject>,
}

impl LineReader {
    /// For a device that talks by itself, on a stream opened at `now`.
    ///
    /// Bytes up to the first terminator are dropped, and the first whole line only proves the
    /// stream: from then on a line is believed where the one before it was well formed.
    pub const fn listening(format: TextFormat, now: Stamp) -> Self {
        Self::new(format, Stream::Continuous, now)
    }

    /// For a device that is asked: call [`LineReader::restart`] before each request, when everything
    /// that came earlier has been drained. The first line after that is the answer.
    pub const fn answering(format: TextFormat, now: Stamp) -> Self {
        Self::new(format, Stream::Answers, now)
    }

    const fn new(format: TextFormat, stream: Stream, now: Stamp) -> Self {
        Self {
            format,
            stream,
            trust: stream.at_start(),
            partial: Vec::new(),
            endless: false,
            begun: None,
            last_read: now,
            last_line: None,
            counts: Counts {
                bytes: 0,
                believed: 0,
                rejected: 0,
                unproven: 0,
                backlog: 0,
                bytes_before_first: 0,
            },
        }
    }

    /// Forgets a line that has begun: the stream was opened anew, or a request is about to go out.
    pub fn restart(&mut self, now: Stamp) {
        self.trust = self.stream.at_start();
        self.partial.clear();
        self.endless = false;
        self.begun = None;
        self.last_read = self.last_read.max(now);
    }

    /// The format that lines are held against.
    pub const fn format(&self) -> &TextFormat {
        &self.format
    }

    /// True where bytes have come since the last terminator: more of their line may follow.
    pub const fn is_inside_line(&self) -> bool {
        !self.partial.is_empty() || self.endless
    }

    /// What came through since the reader was made.
    pub const fn counts(&self) -> Counts {
        self.counts
    }

    /// The lines that end in `bytes`, which were read at `now`.
    pub fn handle_bytes(&mut self, now: Stamp, bytes: &[u8]) -> Vec<Line> {
        if bytes.is_empty() {
            return Vec::new();
        }
        self.counts.bytes += bytes.len() as u64;
        let cuts: Vec<Cut> = bytes.iter().filter_map(|byte| self.push(*byte)).collect();
        let lines = self.stamp(now, cuts);
        if !self.partial.is_empty() || self.endless {
            self.begun.get_or_insert(now);
        }
        self.last_read = now;
        lines
    }

    /// Takes in one byte; yields the line that ends, or turns out endless, with it.
    fn push(&mut self, byte: u8) -> Option<Cut> {
        self.partial.push(byte);
        let terminator = self.format.spec().terminator.ending(&self.partial);
        if let Some(terminator_length) = terminator {
            let length = self.partial.len() - terminator_length;
            self.end_line(length)
        } else if self.partial.len() > self.partial_max() {
            self.drop_endless()
        } else {
            None
        }
    }

    /// Beyond this the line is too long, whatever comes next.
    fn partial_max(&self) -> usize {
        let spec = self.format.spec();
        spec.length.end() + spec.terminator.bytes().len() - 1
    }

    fn end_line(&mut self, length: usize) -> Option<Cut> {
        let mut line = mem::take(&mut self.partial);
        line.truncate(length);
        let begun = self.begun.take();
        if mem::take(&mut self.endless) {
            return None;
        }
        if self.trust == Trust::MidLine {
            self.counts.bytes_before_first += line.len() as u64;
            self.trust = Trust::Unproven;
            return None;
        }
        if line.is_empty() {
            return None;
        }
        let outcome = self.judge(&line);
        self.partial = line;
        self.partial.clear();
        Some(Cut { begun, outcome })
    }

    /// Keeps of a line without an end only what may be the beginning of its terminator.
    fn drop_endless(&mut self) -> Option<Cut> {
        let kept = self.format.spec().terminator.bytes().len() - 1;
        let outcome = (!self.endless).then(|| {
            let why = Why::Endless(*self.format.spec().length.end());
            Err(Reject::new(&self.partial, why))
        });
        self.partial.drain(..self.partial.len() - kept);
        self.endless = true;
        let begun = self.begun;
        outcome.map(|outcome| {
            self.counts.rejected += 1;
            self.trust = Trust::Doubted;
            Cut { begun, outcome }
        })
    }

    fn judge(&mut self, line: &[u8]) -> Result<Vec<Coded>, Reject> {
        let codes = match self.format.decode_line(line) {
            Ok(codes) => codes,
            Err(reject) => {
                self.counts.rejected += 1;
                self.trust = Trust::Doubted;
                return Err(reject);
            }
        };
        let (trust, doubt) = match self.trust {
            Trust::MidLine | Trust::Unproven => (Trust::Believed, Some(Why::First)),
            Trust::Doubted => (Trust::Renewed, Some(Why::AfterReject)),
            Trust::Renewed | Trust::Believed => (Trust::Believed, None),
        };
        let is_renewed = mem::replace(&mut self.trust, trust) == Trust::Renewed;
        if let Some(why) = doubt {
            self.counts.unproven += 1;
            return Err(Reject::new(line, why));
        }
        self.counts.believed += 1;
        Ok(if is_renewed {
            flagged(codes, Quality::RESYNCED)
        } else {
            codes
        })
    }

    /// Gives each line its time.
    fn stamp(&mut self, now: Stamp, cuts: Vec<Cut>) -> Vec<Line> {
        let unfinished = self.begun.is_none() && !self.partial.is_empty() && !self.endless;
        let together =
            cuts.iter().filter(|cut| cut.begun.is_none()).count() + usize::from(unfinished);
        let mut begun_here = 0;
        let mut lines = Vec::with_capacity(cuts.len());
        for cut in cuts {
            if cut.begun.is_none() {
                begun_here += 1;
            }
            let (at, is_backlog) = match cut.begun {
                Some(begun) => (begun, false),
                None => (
                    self.spread(now, begun_here, together),
                    begun_here < together,
                ),
            };
            lines.push(Line {
                at: self.strictly_later(at),
                outcome: if is_backlog {
                    self.as_backlog(cut.outcome)
                } else {
                    cut.outcome
                },
            });
        }
        lines
    }

    /// The time of the `nth` of the lines that began in one read `together`.
    fn spread(&self, now: Stamp, nth: usize, together: usize) -> Stamp {
        let waited = now.since(self.last_read).as_micros();
        let back = waited * (together - nth) as u128 / together.max(1) as u128;
        now.minus(Duration::from_micros(
            u64::try_from(back).unwrap_or(u64::MAX),
        ))
    }

    fn strictly_later(&mut self, at: Stamp) -> Stamp {
        let least = self.last_line.map_or(at, |last| {
            Stamp::from_micros(last.micros().saturating_add(1))
        });
        let at = at.max(least);
        self.last_line = Some(at);
        at
    }

    fn as_backlog(&mut self, outcome: Result<Vec<Coded>, Reject>) -> Result<Vec<Coded>, Reject> {
        if outcome.is_ok() {
            self.counts.backlog += 1;
        }
        outcome.map(|codes| flagged(codes, Quality::BACKLOG))
    }
}

impl Stream {
    const fn at_start(self) -> Trust {
        match self {
            Self::Continuous => Trust::MidLine,
            Self::Answers => Trust::Believed,
        }
    }
}

fn flagged(mut codes: Vec<Coded>, flag: Quality) -> Vec<Coded> {
    for coded in &mut codes {
        coded.quality |= flag;
    }
    codes
}
