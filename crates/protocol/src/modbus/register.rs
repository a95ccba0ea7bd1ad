//! Registers: which are wanted, and by which requests they are fetched.

use std::num::NonZeroU16;

use zonda_model::Code;

/// The address of a device on a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct UnitId(u8);

/// A number that no device on a serial line can have.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("unit {0} cannot be asked; a serial line has units 1 to 247")]
pub struct BadUnit(pub u8);

impl UnitId {
    /// A unit on a serial line: 1 to 247; 0 is the broadcast that nobody answers, 248 and above are
    /// reserved (Modbus over Serial Line V1.02, 2.2).
    ///
    /// # Errors
    /// [`BadUnit`].
    pub const fn serial(number: u8) -> Result<Self, BadUnit> {
        match number {
            1..=247 => Ok(Self(number)),
            _ => Err(BadUnit(number)),
        }
    }

    /// A unit behind a TCP connection. Any number: 0 and 255 mean the device itself (Messaging on
    /// TCP/IP V1.0b, 4.4.2.1).
    pub const fn tcp(number: u8) -> Self {
        Self(number)
    }

    /// The number on the wire.
    pub const fn number(self) -> u8 {
        self.0
    }
}

/// Which registers: the two tables that hold numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Table {
    /// Input registers, read by function 4.
    Input,
    /// Holding registers, read by function 3.
    Holding,
}

impl Table {
    /// The function code that reads it.
    pub const fn function(self) -> u8 {
        match self {
            Self::Input => 4,
            Self::Holding => 3,
        }
    }

    /// The other one.
    pub(crate) const fn other(self) -> Self {
        match self {
            Self::Input => Self::Holding,
            Self::Holding => Self::Input,
        }
    }
}

/// How many registers form one code.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Width {
    /// One register, 16 bits.
    One,
    /// Two registers, 32 bits.
    Two,
}

impl Width {
    /// In registers.
    pub const fn registers(self) -> u16 {
        match self {
            Self::One => 1,
            Self::Two => 2,
        }
    }
}

/// One code's registers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RegisterInput {
    register: u16,
    width: Width,
}

/// The registers run past the last one, 65 535.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{count} registers from {first} run past the last register, 65535")]
pub struct PastLastRegister {
    /// The first register, counted from zero.
    pub first: u16,
    /// How many.
    pub count: u16,
}

impl RegisterInput {
    /// From its first register, counted from zero as on the wire (register "30001" of a data sheet
    /// is 0).
    ///
    /// # Errors
    /// A second register past the last one.
    pub const fn new(register: u16, width: Width) -> Result<Self, PastLastRegister> {
        match register.checked_add(width.registers() - 1) {
            Some(_) => Ok(Self { register, width }),
            None => Err(PastLastRegister {
                first: register,
                count: width.registers(),
            }),
        }
    }

    /// The first register, counted from zero.
    pub const fn register(self) -> u16 {
        self.register
    }

    /// How many registers form the code.
    pub const fn width(self) -> Width {
        self.width
    }

    /// The last register.
    const fn last(self) -> u16 {
        self.register + (self.width.registers() - 1)
    }
}

/// Registers read by one request: 1 to [`RegisterSpan::COUNT_MAX`], none past 65 535.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RegisterSpan {
    first: u16,
    count: NonZeroU16,
}

/// Registers that no single request can read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadRegister {
    /// None, or more than a frame holds.
    #[error("one request reads 1 to {max} registers, not {0}", max = RegisterSpan::COUNT_MAX)]
    Count(u16),
    /// Past the last register.
    #[error(transparent)]
    PastLast(#[from] PastLastRegister),
}

impl RegisterSpan {
    /// The most registers that one answer can carry (Application Protocol V1.1b3, 6.3 and 6.4).
    pub const COUNT_MAX: u16 = 125;

    /// From the first register, counted from zero, and their number.
    ///
    /// # Errors
    /// A count of zero or over 125, or registers past the last.
    pub const fn new(first: u16, count: u16) -> Result<Self, BadRegister> {
        let Some(nonzero) = NonZeroU16::new(count) else {
            return Err(BadRegister::Count(count));
        };
        if count > Self::COUNT_MAX {
            return Err(BadRegister::Count(count));
        }
        match first.checked_add(count - 1) {
            Some(_) => Ok(Self {
                first,
                count: nonzero,
            }),
            None => Err(BadRegister::PastLast(PastLastRegister { first, count })),
        }
    }

    /// The first register, counted from zero.
    pub const fn first(self) -> u16 {
        self.first
    }

    /// How many, 1 to 125.
    pub const fn count(self) -> u16 {
        self.count.get()
    }

    fn of(input: RegisterInput) -> Self {
        Self {
            first: input.register,
            count: match input.width {
                Width::One => NonZeroU16::MIN,
                Width::Two => NonZeroU16::MIN.saturating_add(1),
            },
        }
    }

    const fn last(self) -> u16 {
        self.first + (self.count.get() - 1)
    }

    /// This span with `input` taken in, if the limits allow.
    fn joined(self, input: RegisterInput, limits: PlanLimits) -> Option<Self> {
        let hole = input.register.saturating_sub(self.last()).saturating_sub(1);
        if hole > limits.hole_max.min(PlanLimits::HOLE_CHEAPER_MAX) {
            return None;
        }
        let count = self.last().max(input.last()) - self.first;
        let count = NonZeroU16::MIN.saturating_add(count);
        let fits = count.get() <= limits.registers_max.min(Self::COUNT_MAX);
        (fits || count == self.count).then_some(Self {
            first: self.first,
            count,
        })
    }
}

/// What one request may fetch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PlanLimits {
    /// The most registers the device hands over at once; never more than 125.
    pub registers_max: u16,
    /// The longest hole of unwanted registers to read over; 0 by default, because many devices
    /// refuse a block with a hole in it.
    pub hole_max: u16,
}

impl PlanLimits {
    /// A longer hole is never read over: its 2 bytes a register cost more than the 13 bytes (8 asked,
    /// 5 around the answer's data) of a further request.
    pub const HOLE_CHEAPER_MAX: u16 = 6;

    /// No holes.
    pub const fn without_holes(registers_max: u16) -> Self {
        Self {
            registers_max,
            hole_max: 0,
        }
    }
}

/// Where an input's first register lies in what was read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Place {
    span: usize,
    offset: usize,
    width: Width,
}

/// The requests that fetch a module's inputs, and where in the answers each input lies.
///
/// Contiguous registers go into one request. An input of two registers is never torn apart: both
/// come from one answer, so that they belong to one moment. It stays whole even where the device's
/// limit is one register; such a device then refuses, and says so.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RegisterPlan {
    spans: Vec<RegisterSpan>,
    places: Vec<Place>,
}

impl RegisterPlan {
    /// Plans the requests for `inputs`, given in any order.
    pub fn new(inputs: &[RegisterInput], limits: PlanLimits) -> Self {
        let mut ascending: Vec<usize> = (0..inputs.len()).collect();
        ascending.sort_by_key(|&index| inputs[index]);
        let mut spans: Vec<RegisterSpan> = Vec::new();
        let mut span_of = vec![0; inputs.len()];
        for index in ascending {
            let input = inputs[index];
            match spans.last_mut() {
                Some(open) if let Some(joined) = open.joined(input, limits) => *open = joined,
                _ => spans.push(RegisterSpan::of(input)),
            }
            span_of[index] = spans.len() - 1;
        }
        let places = inputs
            .iter()
            .zip(span_of)
            .map(|(input, span)| Place {
                span,
                offset: usize::from(input.register - spans[span].first),
                width: input.width,
            })
            .collect();
        Self { spans, places }
    }

    /// The requests, by ascending register.
    pub fn spans(&self) -> &[RegisterSpan] {
        &self.spans
    }

    /// The codes in the order of the inputs, from the registers of each span; `None` where a span
    /// or a register is missing.
    pub fn codes(&self, registers: &[Vec<u16>]) -> Option<Vec<Code>> {
        self.places
            .iter()
            .map(|place| {
                let registers = registers.get(place.span)?;
                let first = i64::from(*registers.get(place.offset)?);
                match place.width {
                    Width::One => Some(Code::Count(first)),
                    Width::Two => {
                        let second = i64::from(*registers.get(place.offset + 1)?);
                        Some(Code::Count(first << 16 | second))
                    }
                }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn input(register: u16, width: Width) -> RegisterInput {
        RegisterInput::new(register, width).unwrap()
    }

    fn spans(inputs: &[RegisterInput], limits: PlanLimits) -> Vec<(u16, u16)> {
        RegisterPlan::new(inputs, limits)
            .spans()
            .iter()
            .map(|span| (span.first(), span.count()))
            .collect()
    }

    #[test]
    fn eight_channels_are_one_request() {
        let inputs: Vec<_> = (0..8).map(|register| input(register, Width::One)).collect();
        assert_eq!(spans(&inputs, PlanLimits::without_holes(125)), [(0, 8)]);
        assert_eq!(
            spans(&inputs, PlanLimits::without_holes(5)),
            [(0, 5), (5, 3)]
        );
    }

    #[test]
    fn a_hole_is_read_over_only_where_that_is_allowed_and_cheaper() {
        let inputs = [input(0, Width::One), input(4, Width::One)];
        let limits = |hole_max| PlanLimits {
            registers_max: 125,
            hole_max,
        };
        assert_eq!(spans(&inputs, limits(0)), [(0, 1), (4, 1)]);
        assert_eq!(spans(&inputs, limits(2)), [(0, 1), (4, 1)]);
        assert_eq!(spans(&inputs, limits(3)), [(0, 5)]);
        let far = [input(0, Width::One), input(8, Width::One)];
        assert_eq!(spans(&far, limits(100)), [(0, 1), (8, 1)]);
    }

    #[test]
    fn two_registers_of_one_code_stay_together() {
        let inputs = [input(0, Width::Two), input(2, Width::Two)];
        assert_eq!(
            spans(&inputs, PlanLimits::without_holes(3)),
            [(0, 2), (2, 2)]
        );
        assert_eq!(
            spans(&inputs, PlanLimits::without_holes(1)),
            [(0, 2), (2, 2)]
        );
    }

    #[test]
    fn codes_are_the_bits_on_the_wire() {
        let plan = RegisterPlan::new(
            &[input(1, Width::One), input(0, Width::Two)],
            PlanLimits::without_holes(125),
        );
        assert_eq!(
            plan.codes(&[vec![0xFFFE, 0x1DC0]]),
            Some(vec![Code::Count(0x1DC0), Code::Count(0xFFFE_1DC0)])
        );
        assert_eq!(plan.codes(&[vec![1]]), None);
        assert_eq!(plan.codes(&[]), None);
    }

    #[test]
    fn what_no_request_can_read_is_refused() {
        assert!(RegisterInput::new(65_535, Width::Two).is_err());
        assert!(RegisterInput::new(65_535, Width::One).is_ok());
        assert!(RegisterSpan::new(0, 0).is_err());
        assert!(RegisterSpan::new(0, 126).is_err());
        assert!(RegisterSpan::new(65_535, 2).is_err());
        assert!(UnitId::serial(0).is_err() && UnitId::serial(248).is_err());
    }

    fn any_input() -> impl Strategy<Value = RegisterInput> {
        (prop_oneof![0u16..300, 65_000u16..=65_535], any::<bool>()).prop_filter_map(
            "past the last register",
            |(register, two)| {
                RegisterInput::new(register, if two { Width::Two } else { Width::One }).ok()
            },
        )
    }

    proptest! {
        /// Whatever is asked for, each input gets the bits of its own registers.
        #[test]
        fn every_input_finds_its_own_registers(
            inputs in proptest::collection::vec(any_input(), 0..60),
            registers_max in 1u16..200,
            hole_max in 0u16..10,
        ) {
            let plan = RegisterPlan::new(&inputs, PlanLimits { registers_max, hole_max });
            for span in plan.spans() {
                prop_assert!(span.count() <= registers_max.clamp(2, 125));
            }
            let answers: Vec<Vec<u16>> = plan
                .spans()
                .iter()
                .map(|span| (span.first()..=span.last()).map(|register| register ^ 0x5A5A).collect())
                .collect();
            let expected: Vec<Code> = inputs
                .iter()
                .map(|input| {
                    let at = |register: u16| i64::from(register ^ 0x5A5A);
                    match input.width() {
                        Width::One => Code::Count(at(input.register())),
                        Width::Two => Code::Count(at(input.register()) << 16 | at(input.register() + 1)),
                    }
                })
                .collect();
            prop_assert_eq!(plan.codes(&answers), Some(expected));
        }
    }
}
