//! Many cheap Modbus TCP modules on loopback, for load tests in which every sample can be judged.
//!
//! A register holds the count of hundredths of a second since the Unix epoch, moved on by a number
//! of its own, modulo 65 536. So a stored code alone tells which register it came from and, within
//! the eleven minutes in which it does not repeat, when. The server is as small as it can be: it
//! answers function 4 and refuses the rest (*MODBUS Messaging on TCP/IP V1.0b*, section 3.1.3;
//! *Application Protocol V1.1b3*, section 6.4).

use std::fmt::Write;
use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::time::{SystemTime, UNIX_EPOCH};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio_util::sync::{CancellationToken, DropGuard};
use tokio_util::task::TaskTracker;

/// A register of the farm: which module, which address, both from 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Register {
    /// The module.
    pub module: u16,
    /// The input register's address.
    pub address: u16,
}

impl Register {
    /// Microseconds between two counts.
    pub const COUNT_US: i64 = 10_000;

    /// What is particular to this register: no two are closer than 31 counts (0.31 s) in a farm of
    /// at most 33 modules with at most 64 inputs.
    const fn shift(self) -> u16 {
        let number = self.module.wrapping_mul(64).wrapping_add(self.address);
        number.wrapping_mul(31)
    }

    /// What it holds at this time, in µs since the Unix epoch.
    pub const fn code_at(self, unix_us: i64) -> u16 {
        let counts = unix_us.div_euclid(Self::COUNT_US).rem_euclid(65_536);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "the remainder lies in 0..65 536"
        )]
        (counts as u16).wrapping_add(self.shift())
    }

    /// By how many counts a sample with this code and stamp is late (or early, if negative): near
    /// 0 for the right register at the right time, far from it for any other.
    pub const fn lag(self, code: u16, unix_us: i64) -> i16 {
        self.code_at(unix_us).wrapping_sub(code).cast_signed()
    }
}

/// Running modules. Dropped without [`Farm::stop`] they stop by themselves, only not at once.
#[derive(Debug)]
pub struct Farm {
    addresses: Vec<SocketAddr>,
    inputs: u16,
    tasks: TaskTracker,
    stop: CancellationToken,
    _stop_when_dropped: DropGuard,
}

impl Farm {
    /// Starts this many modules with this many inputs each, every module on a free port.
    ///
    /// # Errors
    /// A port cannot be had.
    pub async fn start(modules: u16, inputs: u16) -> io::Result<Self> {
        let stop = CancellationToken::new();
        let mut farm = Self {
            addresses: Vec::new(),
            inputs,
            tasks: TaskTracker::new(),
            _stop_when_dropped: stop.clone().drop_guard(),
            stop,
        };
        for module in 0..modules {
            let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await?;
            farm.addresses.push(listener.local_addr()?);
            let (tasks, stop) = (farm.tasks.clone(), farm.stop.clone());
            farm.tasks
                .spawn(accept(listener, Plot { module, inputs }, tasks, stop));
        }
        Ok(farm)
    }

    /// Where each module listens.
    pub fn addresses(&self) -> &[SocketAddr] {
        &self.addresses
    }

    /// Lines, modules and channels for a daemon's configuration file: module `F3` on line `f3`,
    /// channel `F3-1` its first input, read as a plain ratio.
    #[expect(
        clippy::missing_panics_doc,
        reason = "writing into a String cannot fail"
    )]
    pub fn toml(&self, every: &str) -> String {
        let mut text = String::new();
        for (module, address) in self.addresses.iter().enumerate() {
            self.write_module(&mut text, module, *address, every)
                .expect("writing into a String cannot fail");
        }
        text
    }

    fn write_module(
        &self,
        text: &mut String,
        module: usize,
        address: SocketAddr,
        every: &str,
    ) -> std::fmt::Result {
        writeln!(
            text,
            "[line.f{module}]\nevery = \"{every}\"\nsimulated = true"
        )?;
        writeln!(text, "modbus-tcp = {{ address = \"{address}\" }}\n")?;
        writeln!(text, "[module.F{module}]\nline = \"f{module}\"\nunit = 1")?;
        writeln!(
            text,
            "registers = \"input 0-{}\"\ncode = \"uint16\"\n",
            self.inputs - 1
        )?;
        (1..=self.inputs).try_for_each(|input| {
            writeln!(text, "[channel.F{module}-{input}]\nquantity = \"ratio\"")?;
            writeln!(text, "input = \"F{module}.{input}\"\nunit = \"1\"\n")
        })
    }

    /// Stops; when this returns, every task has ended.
    pub async fn stop(self) {
        self.stop.cancel();
        self.tasks.close();
        self.tasks.wait().await;
    }
}

/// One module.
#[derive(Clone, Copy, Debug)]
struct Plot {
    module: u16,
    inputs: u16,
}

async fn accept(listener: TcpListener, plot: Plot, tasks: TaskTracker, stop: CancellationToken) {
    let accepting = async {
        loop {
            if let Ok((stream, _)) = listener.accept().await {
                let stop = stop.clone();
                tasks.spawn(async move { stop.run_until_cancelled(plot.serve(stream)).await });
            }
        }
    };
    stop.run_until_cancelled(accepting).await;
}

impl Plot {
    /// Answers until the client leaves or sends what is no Modbus.
    async fn serve(self, mut stream: TcpStream) -> io::Result<()> {
        stream.set_nodelay(true)?;
        let mut request = [0; 260];
        loop {
            stream.read_exact(&mut request[..6]).await?;
            let [transaction_high, transaction_low, 0, 0, 0, rest @ 2..=254] = request[..6] else {
                return Ok(());
            };
            let pdu = &mut request[..usize::from(rest)];
            stream.read_exact(pdu).await?;
            let body = self.answer(pdu);
            let [length_high, length_low] =
                u16::try_from(body.len()).unwrap_or(u16::MAX).to_be_bytes();
            let mut answer = vec![
                transaction_high,
                transaction_low,
                0,
                0,
                length_high,
                length_low,
            ];
            answer.extend(body);
            stream.write_all(&answer).await?;
        }
    }

    /// Unit and PDU of the answer to a unit and PDU.
    fn answer(self, request: &[u8]) -> Vec<u8> {
        match *request {
            [unit, 4, first_high, first_low, 0, count @ 1..=125] => {
                let first = u16::from_be_bytes([first_high, first_low]);
                if u32::from(first) + u32::from(count) > u32::from(self.inputs) {
                    return vec![unit, 0x84, 2];
                }
                let now = unix_us();
                let mut answer = vec![unit, 4, 2 * count];
                for address in first..first + u16::from(count) {
                    let module = self.module;
                    answer.extend(Register { module, address }.code_at(now).to_be_bytes());
                }
                answer
            }
            [unit, 4, ..] => vec![unit, 0x84, 3],
            [unit, function, ..] => vec![unit, function | 0x80, 1],
            _ => vec![0, 0x80, 1],
        }
    }
}

fn unix_us() -> i64 {
    let since = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap_or_default();
    i64::try_from(since.as_micros()).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio_modbus::client::tcp;
    use tokio_modbus::prelude::{Reader, Slave};

    #[test]
    fn a_code_tells_its_register_and_its_time() {
        let register = Register {
            module: 3,
            address: 5,
        };
        let at = 1_700_000_000_123_456;
        assert_eq!(register.lag(register.code_at(at), at), 0);
        assert_eq!(register.lag(register.code_at(at - 250_000), at), 25);
        let neighbour = Register {
            module: 3,
            address: 6,
        };
        assert_eq!(register.lag(neighbour.code_at(at), at), -31);
        let registers =
            (0..33).flat_map(|module| (0..64).map(move |address| Register { module, address }));
        let mut shifts: Vec<u16> = registers.map(Register::shift).collect();
        shifts.sort_unstable();
        assert!(shifts.windows(2).all(|pair| pair[1] - pair[0] >= 31));
        assert!(shifts[0].wrapping_sub(*shifts.last().unwrap()) >= 31);
    }

    /// Read by an outside master, tokio-modbus' client.
    #[tokio::test]
    async fn every_register_holds_what_it_says() {
        let farm = Farm::start(3, 32).await.unwrap();
        for (module, address) in (0..).zip(farm.addresses()) {
            let mut master = tcp::connect_slave(*address, Slave(1)).await.unwrap();
            let before = unix_us();
            let codes = master.read_input_registers(0, 32).await.unwrap().unwrap();
            let after = unix_us();
            for (address, code) in (0..).zip(codes) {
                let register = Register { module, address };
                assert!(register.lag(code, before) <= 0 && register.lag(code, after) >= 0);
            }
            let absent = master.read_input_registers(1, 32).await.unwrap();
            assert_eq!(absent, Err(tokio_modbus::ExceptionCode::IllegalDataAddress));
            let other = master.read_holding_registers(0, 1).await.unwrap();
            assert_eq!(other, Err(tokio_modbus::ExceptionCode::IllegalFunction));
        }
        assert_eq!(
            farm.toml("100 ms").parse::<toml::Table>().unwrap()["channel"]
                .as_table()
                .unwrap()
                .len(),
            96
        );
        farm.stop().await;
    }
}
