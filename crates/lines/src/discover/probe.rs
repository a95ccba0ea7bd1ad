//! Listening and asking: the part of the search that touches lines.

use std::path::Path;
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncReadExt};
use tokio::time::Instant;
use tokio_serial::SerialStream;
use tokio_util::sync::CancellationToken;
use zonda_config::{PortPlan, RtuPlan, TcpPlan};
use zonda_protocol::modbus::identification::{ObjectId, Question, Told};
use zonda_protocol::modbus::{ExceptionKind, RegisterSpan, Reply, Request, Table, UnitId};
use zonda_protocol::serial::SerialSettings;

use super::schedule::Schedule;
use super::{OnLine, ProbePlan, RegistersFound, Search, Tell, UnitFound, guess, talking_settings};
use crate::polled::{AskError, Wire};
use crate::port::{self, Opener};
use crate::rtu::Rtu;
use crate::tcp::{self, Tcp};

/// The most that is kept of what was heard at one speed.
const HEARD_MAX: usize = 65_536;
/// The most registers of one request (MODBUS Application Protocol V1.1b3, 6.3 and 6.4).
const REGISTERS_MAX: u16 = 125;
/// Registers whose values are shown.
const VALUES_MAX: usize = 16;

pub(super) async fn port(
    path: &Path,
    search: &Search,
    tell: &Tell,
    stop: &CancellationToken,
) -> OnLine {
    let name = path.display().to_string();
    let settings = talking_settings();
    let plan = PortPlan {
        path: path.to_owned(),
        settings: settings[0],
    };
    let mut open = match Opener::new(plan.clone()).open().await {
        Ok(open) => open,
        Err(refused) => return OnLine::NotOpened(refused.why),
    };
    let mut noise = 0;
    for settings in settings {
        tell(&name, &format!("listening at {settings}"));
        if let Err(why) = port::set(&mut open, settings) {
            tell(&name, &why);
            continue;
        }
        let heard = hear(&mut open, search.listen_for, stop).await;
        if let Some(guess) = guess(&heard) {
            return OnLine::Text {
                settings: Some(settings),
                guess: Box::new(guess),
            };
        }
        noise = noise.max(heard.len());
        // At a wrong speed something comes all the same: a line that is silent is so at every speed.
        if heard.is_empty() || stop.is_cancelled() {
            break;
        }
    }
    if noise > 0 {
        return OnLine::Noise { bytes: noise };
    }
    match &search.probe {
        Some(probe) => ask_port(&plan, open, probe, tell, stop).await,
        None => OnLine::Nothing,
    }
}

pub(super) async fn tcp(
    host: &str,
    port: u16,
    search: &Search,
    tell: &Tell,
    stop: &CancellationToken,
) -> OnLine {
    let name = format!("{host}:{port}");
    tell(&name, "listening");
    let mut stream = match tcp::connect(host.to_owned(), port).await {
        Ok(stream) => stream,
        Err(why) => return OnLine::NotOpened(why),
    };
    let heard = hear(&mut stream, search.listen_for, stop).await;
    drop(stream);
    if let Some(guess) = guess(&heard) {
        return OnLine::Text {
            settings: None,
            guess: Box::new(guess),
        };
    }
    match &search.probe {
        Some(_) if !heard.is_empty() => OnLine::Noise { bytes: heard.len() },
        Some(probe) => ask_tcp(host, port, probe, tell, stop).await,
        None => OnLine::Nothing,
    }
}

/// What comes within a time, and no more than can be of use.
async fn hear(
    stream: &mut (impl AsyncRead + Unpin),
    span: Duration,
    stop: &CancellationToken,
) -> Vec<u8> {
    let (mut heard, mut bytes) = (Vec::new(), [0; 4096]);
    let end = Instant::now() + span;
    while heard.len() < HEARD_MAX {
        let count = tokio::select! {
            () = stop.cancelled() => break,
            () = tokio::time::sleep_until(end) => break,
            count = stream.read(&mut bytes) => count.unwrap_or(0),
        };
        if count == 0 {
            break;
        }
        heard.extend_from_slice(&bytes[..count]);
    }
    heard
}

async fn ask_port(
    plan: &PortPlan,
    mut open: SerialStream,
    probe: &ProbePlan,
    tell: &Tell,
    stop: &CancellationToken,
) -> OnLine {
    let name = plan.path.display().to_string();
    let mut schedule = Schedule::new(probe.clone());
    let mut at: Option<(SerialSettings, Rtu)> = None;
    let mut units = Vec::new();
    while let Some(next) = schedule.next_probe() {
        if stop.is_cancelled() {
            break;
        }
        if at
            .as_ref()
            .is_none_or(|(settings, _)| *settings != next.settings)
        {
            tell(&name, &format!("asking for units at {}", next.settings));
            if let Err(why) = port::set(&mut open, next.settings) {
                tell(&name, &why);
            }
            at = Some((next.settings, rtu(plan, next.settings)));
        }
        let Some((_, wire)) = &mut at else { break };
        let mut asker = Asker {
            wire,
            open: &mut open,
            patience: probe.patience,
            stop,
        };
        match asker.find(next.unit).await {
            Ok(Some(found)) => {
                tell(
                    &name,
                    &format!("unit {} answers at {}", next.unit, next.settings),
                );
                schedule.answered();
                units.push(found);
            }
            Ok(None) => {}
            Err(gone) => {
                tell(&name, &gone);
                break;
            }
        }
    }
    match at {
        Some((settings, _)) if !units.is_empty() => OnLine::Modbus {
            settings: Some(settings),
            units: in_order(units),
        },
        _ => OnLine::Nothing,
    }
}

fn rtu(plan: &PortPlan, settings: SerialSettings) -> Rtu {
    Rtu::new(&RtuPlan {
        port: PortPlan {
            settings,
            ..plan.clone()
        },
        silence_min: settings.rtu_silence(),
        modules: Vec::new(),
    })
}

async fn ask_tcp(
    host: &str,
    port: u16,
    probe: &ProbePlan,
    tell: &Tell,
    stop: &CancellationToken,
) -> OnLine {
    let name = format!("{host}:{port}");
    tell(&name, "asking for units");
    let mut wire = Tcp::new(&TcpPlan {
        host: host.to_owned(),
        port,
        modules: Vec::new(),
    });
    let mut open = match wire.open().await {
        Ok(open) => open,
        Err(refused) => return OnLine::NotOpened(refused.why),
    };
    let mut units = Vec::new();
    for unit in &probe.units {
        let mut asker = Asker {
            wire: &mut wire,
            open: &mut open,
            patience: probe.patience,
            stop,
        };
        match asker.find(*unit).await {
            Ok(found) => units.extend(found),
            Err(gone) => {
                tell(&name, &gone);
                break;
            }
        }
        // A module without a line behind it answers whatever unit it is asked as.
        if units.len() > 1 && units.len() == probe.units.len() && is_one_device(&units) {
            units.truncate(1);
        }
        if stop.is_cancelled() {
            break;
        }
    }
    if units.is_empty() {
        return OnLine::Nothing;
    }
    OnLine::Modbus {
        settings: None,
        units: in_order(units),
    }
}

fn in_order(mut units: Vec<UnitFound>) -> Vec<UnitFound> {
    units.sort_by_key(|found| found.unit);
    units
}

/// All of them have the same registers and say the same of themselves.
fn is_one_device(units: &[UnitFound]) -> bool {
    let same = |found: &UnitFound| {
        let first = &units[0];
        found.says == first.says
            && found.input.count == first.input.count
            && found.holding.count == first.holding.count
    };
    units.iter().all(same)
}

/// Asks one unit after the other.
struct Asker<'a, W: Wire> {
    wire: &'a mut W,
    open: &'a mut W::Open,
    patience: Duration,
    stop: &'a CancellationToken,
}

/// Nothing answered; whoever asks on would break the bound that was told.
struct Unanswered;

impl<W: Wire> Asker<'_, W> {
    /// What there is to know of a unit; `None` where it does not answer.
    ///
    /// # Errors
    /// The line is gone.
    async fn find(&mut self, unit: u8) -> Result<Option<UnitFound>, String> {
        let unit_id = UnitId::tcp(unit);
        let mut input = RegistersFound::default();
        match self.registers(unit_id, Table::Input, 1).await? {
            Err(Unanswered) => return Ok(None),
            Ok(Reply::Registers(values)) => input = RegistersFound { count: 1, values },
            Ok(Reply::Exception(exception))
                if exception.kind() == ExceptionKind::UnitBehindGateway =>
            {
                return Ok(None);
            }
            Ok(Reply::Exception(_)) => {}
        }
        let mut found = UnitFound {
            unit,
            input,
            holding: RegistersFound::default(),
            says: Vec::new(),
        };
        // A unit that falls silent is told as far as it is known.
        let _ = self.learn(unit_id, &mut found).await?;
        Ok(Some(found))
    }

    async fn learn(
        &mut self,
        unit: UnitId,
        found: &mut UnitFound,
    ) -> Result<Result<(), Unanswered>, String> {
        if found.input.count > 0
            && self
                .grow(unit, Table::Input, &mut found.input)
                .await?
                .is_err()
        {
            return Ok(Err(Unanswered));
        }
        match self.registers(unit, Table::Holding, 1).await? {
            Err(Unanswered) => return Ok(Err(Unanswered)),
            Ok(Reply::Registers(values)) => {
                found.holding = RegistersFound { count: 1, values };
                if self
                    .grow(unit, Table::Holding, &mut found.holding)
                    .await?
                    .is_err()
                {
                    return Ok(Err(Unanswered));
                }
            }
            Ok(Reply::Exception(_)) => {}
        }
        for first in [ObjectId::FIRST, ObjectId::FIRST_PRIVATE] {
            match self
                .wire
                .identify(self.open, Question { unit, first }, self.patience)
                .await
            {
                Ok(Told::Objects(objects)) => {
                    let is_new = |(object, _): &(ObjectId, String)| {
                        !found.says.iter().any(|(known, _)| known == object)
                    };
                    let new: Vec<_> = objects.into_iter().filter(is_new).collect();
                    found.says.extend(new);
                }
                Ok(Told::Exception(_)) | Err(AskError::Unanswered { .. }) => break,
                Err(AskError::Gone(why) | AskError::Broken(why)) => return Err(why),
            }
        }
        Ok(Ok(()))
    }

    /// How many registers can be read at once: all, or else found by halving.
    async fn grow(
        &mut self,
        unit: UnitId,
        table: Table,
        found: &mut RegistersFound,
    ) -> Result<Result<(), Unanswered>, String> {
        let (mut fails, mut next) = (REGISTERS_MAX + 1, REGISTERS_MAX);
        while found.count + 1 < fails && !self.stop.is_cancelled() {
            match self.registers(unit, table, next).await? {
                Err(Unanswered) => return Ok(Err(Unanswered)),
                Ok(Reply::Registers(values)) => {
                    found.count = next;
                    found.values = values.into_iter().take(VALUES_MAX).collect();
                }
                Ok(Reply::Exception(_)) => fails = next,
            }
            next = found.count.midpoint(fails);
        }
        Ok(Ok(()))
    }

    async fn registers(
        &mut self,
        unit: UnitId,
        table: Table,
        count: u16,
    ) -> Result<Result<Reply, Unanswered>, String> {
        let span = RegisterSpan::new(0, count).map_err(|error| error.to_string())?;
        let request = Request { unit, table, span };
        let exchange = self.wire.ask(self.open, request, self.patience).await;
        match exchange.result {
            Ok(answer) => Ok(Ok(answer.reply)),
            Err(AskError::Unanswered { .. }) => Ok(Err(Unanswered)),
            Err(AskError::Gone(why) | AskError::Broken(why)) => Err(why),
        }
    }
}
