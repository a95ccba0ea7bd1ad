//! A converter at work: a thread of its own, because a reading blocks for as long as the conversion
//! takes, or for as long as a bus hangs.

use std::io;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc;
use std::time::{Duration, Instant};

use tokio::sync::oneshot;
use zonda_config::iio::written_scale;
use zonda_config::{IioChannel, IioPlan, IioReading};
use zonda_model::{Cause, Code};

use super::sysfs::{self, IioFound, NotFound, Trouble, read_number, read_text, shared, trouble};
use crate::link::NotOpened;

/// Finding a device takes milliseconds; a kernel that needs longer hangs.
const OPEN_WITHIN: Duration = Duration::from_secs(5);
/// The last digit of a number that the kernel has cut off is no difference. It writes six or nine
/// digits; what is shorter is exact.
const DIGITS_CUT: f64 = 1e-6;
/// What a person may round away when writing a scale down: a hundredth of a per mille.
const ROUNDED: f64 = 1e-5;

/// The codes of one tick.
#[derive(Clone, Debug)]
pub(crate) struct Taken {
    pub(crate) codes: Vec<Code>,
    pub(crate) begun: Instant,
    pub(crate) done: Instant,
}

/// Why there are none.
#[derive(Clone, Debug)]
pub(crate) struct Failed {
    pub(crate) cause: Cause,
    pub(crate) detail: String,
    /// The device has to be looked for again.
    pub(crate) is_gone: bool,
}

type Outcome = Result<Taken, Failed>;

/// An open converter: asks its thread.
#[derive(Debug)]
pub(crate) struct Chip {
    ask: mpsc::SyncSender<oneshot::Sender<Outcome>>,
    /// An answer that was not waited for to its end.
    overdue: Option<oneshot::Receiver<Outcome>>,
}

impl Chip {
    /// The codes of all channels. A reading that takes longer than `patience` is left to itself, and
    /// nothing else is asked until it is over.
    pub(crate) async fn read(&mut self, patience: Duration) -> Outcome {
        let failed = |cause, detail: String| Failed {
            cause,
            detail,
            is_gone: cause == Cause::Unplugged,
        };
        if let Some(overdue) = &mut self.overdue {
            match overdue.try_recv() {
                Err(oneshot::error::TryRecvError::Empty) => {
                    let detail = "a reading of before still hangs in the kernel's driver";
                    return Err(failed(Cause::Timeout, detail.to_owned()));
                }
                // What it read is old.
                _ => self.overdue = None,
            }
        }
        let ended = || failed(Cause::Unplugged, "its thread has ended".to_owned());
        let (tell, mut told) = oneshot::channel();
        self.ask.try_send(tell).map_err(|_| ended())?;
        let Ok(outcome) = tokio::time::timeout(patience, &mut told).await else {
            self.overdue = Some(told);
            let detail = format!(
                "the kernel gave no reading within {} ms",
                patience.as_millis()
            );
            return Err(failed(Cause::Timeout, detail));
        };
        outcome.unwrap_or_else(|_| Err(ended()))
    }
}

/// Opens the converter, again and again if need be, never twice at a time.
#[derive(Clone, Debug)]
pub(crate) struct Opener {
    plan: IioPlan,
    is_busy: Arc<AtomicBool>,
}

impl Opener {
    pub(crate) fn new(plan: &IioPlan) -> Self {
        Self {
            plan: plan.clone(),
            is_busy: Arc::default(),
        }
    }

    /// Finds the device anew each time: its number may have moved.
    pub(crate) async fn open(self) -> Result<Chip, NotOpened> {
        let slow = || NotOpened::from("the kernel's driver does not answer".to_owned());
        if self.is_busy.swap(true, Ordering::AcqRel) {
            return Err(slow());
        }
        let is_busy = Arc::clone(&self.is_busy);
        let (tell, told) = oneshot::channel();
        // One question at a time: the next is asked when the one before is answered.
        let (ask, asked) = mpsc::sync_channel(1);
        let spawned = std::thread::Builder::new()
            .name("iio".to_owned())
            .spawn(move || self.serve(tell, &asked));
        if spawned.is_err() {
            is_busy.store(false, Ordering::Release);
            return Err("no thread to read it on".to_owned().into());
        }
        match tokio::time::timeout(OPEN_WITHIN, told).await {
            Ok(Ok(Ok(()))) => Ok(Chip { ask, overdue: None }),
            Ok(Ok(Err(refused))) => Err(refused),
            Ok(Err(_)) | Err(_) => Err(slow()),
        }
    }

    /// The thread: ends when nobody can ask any more.
    fn serve(
        self,
        tell: oneshot::Sender<Result<(), NotOpened>>,
        asked: &mpsc::Receiver<oneshot::Sender<Outcome>>,
    ) {
        let opened = Open::find(self.plan);
        self.is_busy.store(false, Ordering::Release);
        let mut open = match opened {
            Ok(open) => open,
            Err(refused) => {
                let _ = tell.send(Err(refused));
                return;
            }
        };
        // Whoever gave up waiting has dropped the way to ask, too.
        let _ = tell.send(Ok(()));
        while let Ok(answer) = asked.recv() {
            let _ = answer.send(open.read());
        }
    }
}

/// A device that was found, and the files of its channels.
#[derive(Debug)]
struct Open {
    plan: IioPlan,
    found: IioFound,
    channels: Vec<Attribute>,
}

/// The files of one channel.
#[derive(Debug)]
struct Attribute {
    value: PathBuf,
    /// As the kernel wrote them when they were last found right.
    scale: Option<String>,
    offset: Option<String>,
}

impl Open {
    fn find(plan: IioPlan) -> Result<Self, NotOpened> {
        let mut found = sysfs::find(&plan.root, &plan.device).map_err(|error| NotOpened {
            cause: match error {
                NotFound::Several { .. } => Cause::Mismatch,
                _ => Cause::Unplugged,
            },
            why: error.to_string(),
        })?;
        // The link of the same name may lead to another chip tomorrow.
        found.folder = found.folder.canonicalize().unwrap_or(found.folder);
        let channels = plan.channels.iter();
        let channels = channels.map(|channel| Attribute::open(&found, channel));
        let channels = channels
            .collect::<Result<_, _>>()
            .map_err(|failed: Failed| NotOpened {
                cause: failed.cause,
                why: failed.detail,
            })?;
        Ok(Self {
            plan,
            found,
            channels,
        })
    }

    fn read(&mut self) -> Outcome {
        let begun = Instant::now();
        let mut codes = Vec::with_capacity(self.channels.len());
        let channels = self.plan.channels.iter().zip(&mut self.channels);
        for (channel, attribute) in channels {
            if self.plan.discard_first {
                attribute.read()?;
                std::thread::sleep(self.plan.settle);
            }
            let text = attribute.read()?;
            codes.push(code(channel, &text)?);
            // After the reading, so that a scale that was changed before it is seen.
            attribute.check(&self.found, channel)?;
        }
        let done = Instant::now();
        self.check_identity()?;
        Ok(Taken { codes, begun, done })
    }

    /// The number may have gone to another chip, between two readings.
    fn check_identity(&self) -> Result<(), Failed> {
        let now = IioFound::at(self.found.folder.clone());
        if now == self.found {
            return Ok(());
        }
        let (expected, found) = (self.found.shown(), now.shown());
        Err(Failed {
            cause: Cause::Mismatch,
            detail: format!(
                "where {expected} was, there is {found} now; looking for {} again",
                self.plan.device
            ),
            is_gone: true,
        })
    }
}

impl Attribute {
    fn open(found: &IioFound, channel: &IioChannel) -> Result<Self, Failed> {
        let end = match channel.reading {
            IioReading::Raw { .. } => "raw",
            IioReading::Processed => "input",
        };
        let file = |end| found.folder.join(format!("in_{}_{end}", channel.name));
        let value = file(end);
        if !value.exists() {
            let (other, way) = match channel.reading {
                IioReading::Raw { .. } => {
                    (file("input"), "write `processed` in place of its scale")
                }
                IioReading::Processed => (file("raw"), "write its scale in place of `processed`"),
            };
            let way = if other.exists() {
                format!("there is {}: {way}", file_name(&other))
            } else {
                let known = found.channels().unwrap_or_default();
                let known: Vec<_> = known.iter().map(String::as_str).collect();
                format!("its channels are {}", known.join(", "))
            };
            let detail = format!("{} has no {}; {way}", found.shown(), file_name(&value));
            return Err(mismatch(detail));
        }
        let mut attribute = Self {
            value,
            scale: None,
            offset: None,
        };
        attribute.check(found, channel)?;
        Ok(attribute)
    }

    /// One reading; a bus that failed is asked once more.
    fn read(&self) -> Result<String, Failed> {
        let text = match read_text(&self.value) {
            Err(error) if trouble(&error) == Trouble::Failed => read_text(&self.value),
            text => text,
        };
        text.map_err(|error| failed(&self.value, &error))
    }

    /// Whether the kernel scales the channel as the configuration does.
    fn check(&mut self, found: &IioFound, channel: &IioChannel) -> Result<(), Failed> {
        let IioReading::Raw { scale, offset } = channel.reading else {
            return Ok(());
        };
        let name = channel.name.as_str();
        let read = |attribute| {
            shared(&found.folder, name, attribute).map_err(|error| failed(&found.folder, &error))
        };
        let (scale_now, offset_now) = (read("scale")?, read("offset")?);
        if scale_now != self.scale {
            if let Some(text) = &scale_now
                && !agrees(text, scale)
            {
                return Err(mismatch(wrong_scale(name, text, scale)));
            }
            self.scale = scale_now;
        }
        let text = offset_now.clone().unwrap_or_else(|| "0".to_owned());
        if !agrees(&text, offset) {
            return Err(mismatch(format!(
                "the kernel's offset of {name} is {text}, the configuration says {offset}; write `offsets = {{ {name} = \"{text}\" }}` if the kernel is right"
            )));
        }
        self.offset = offset_now;
        Ok(())
    }
}

fn agrees(text: &str, stated: f64) -> bool {
    let Some(written) = read_number(text) else {
        return false;
    };
    let cut = if written.last_digit <= DIGITS_CUT {
        written.last_digit
    } else {
        0.0
    };
    (written.number - stated).abs() <= cut.max(ROUNDED * stated.abs())
}

fn wrong_scale(channel: &str, text: &str, stated: f64) -> String {
    let written = |scale| written_scale(channel, scale).unwrap_or_default();
    let Some(kernel) = read_number(text) else {
        return format!("the kernel's scale of {channel} is `{text}`, which is no number");
    };
    format!(
        "one count of {channel} is {kernel} by the kernel, {stated} by the configuration; write `{channel} = \"{kernel}\"` if the kernel is right",
        kernel = written(kernel.number),
        stated = written(stated),
    )
}

fn code(channel: &IioChannel, text: &str) -> Result<Code, Failed> {
    let code = match channel.reading {
        IioReading::Raw { .. } => text.parse().ok().map(Code::Count),
        IioReading::Processed => read_number(text).map(|read| Code::Number(read.number)),
    };
    code.ok_or_else(|| Failed {
        cause: Cause::BadFrame,
        detail: format!(
            "{} reads as `{}`, which is no number",
            channel.name,
            text.escape_debug()
        ),
        is_gone: false,
    })
}

fn mismatch(detail: String) -> Failed {
    Failed {
        cause: Cause::Mismatch,
        detail,
        is_gone: false,
    }
}

fn failed(path: &std::path::Path, error: &io::Error) -> Failed {
    let file = file_name(path);
    let (cause, detail) = match trouble(error) {
        Trouble::Gone => (
            Cause::Unplugged,
            format!("the converter is gone ({file}: {error})"),
        ),
        Trouble::Busy => (
            Cause::DeviceError,
            format!("{file}: the converter is busy; another program has a buffer of it enabled"),
        ),
        Trouble::Slow => (
            Cause::Timeout,
            format!("{file}: the chip does not answer its bus"),
        ),
        Trouble::Failed => (Cause::DeviceError, format!("{file}: {error}")),
    };
    Failed {
        cause,
        detail,
        is_gone: cause == Cause::Unplugged,
    }
}

fn file_name(path: &std::path::Path) -> String {
    path.file_name()
        .map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scale_agrees_where_only_digits_were_cut_or_rounded_away() {
        // 5 V over 16 bits, in mV, cut at nine and at six digits.
        let exact = 5000.0 / 65_536.0;
        assert!(agrees("0.076293945", exact) && agrees("0.076293", exact));
        assert!(agrees("3.000000000", 3.0) && agrees("3", 3.0));
        assert!(!agrees("3", 2.0) && !agrees("0.1875", 0.125));
        assert!(!agrees("1", 1.5), "an integer is exact");
        assert!(!agrees("0.07", exact), "few digits are exact");
        assert!(!agrees("", 1.0));
    }

    #[test]
    fn what_the_file_should_say_is_said() {
        assert_eq!(
            wrong_scale("voltage0", "3.000000000", 2.0),
            "one count of voltage0 is 3 mV by the kernel, 2 mV by the configuration; write `voltage0 = \"3 mV\"` if the kernel is right"
        );
    }
}
