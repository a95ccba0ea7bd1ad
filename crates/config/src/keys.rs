//! The keys of the file, as data: one list for the check, the schema and the reference.

/// What a key's value is.
#[derive(Clone, Copy, Debug)]
pub enum Kind {
    /// A text.
    Text,
    /// A text with a number and its unit.
    Amount,
    /// A whole number.
    Whole,
    /// `true` or `false`.
    Flag,
    /// A list of texts.
    Texts,
    /// A table with the keys given.
    Table(&'static [Key]),
    /// A table of texts whose keys are free.
    Pairs,
}

impl Kind {
    /// What a message calls it.
    pub const fn noun(self) -> &'static str {
        match self {
            Self::Text => "a text in quotation marks",
            Self::Amount => "a number with its unit, in quotation marks",
            Self::Whole => "a whole number",
            Self::Flag => "true or false",
            Self::Texts => "a list of texts",
            Self::Table(_) | Self::Pairs => "a table",
        }
    }
}

/// One key.
#[derive(Clone, Copy, Debug)]
pub struct Key {
    /// As written.
    pub name: &'static str,
    /// What its value is.
    pub kind: Kind,
    /// Whether it must be there.
    pub required: bool,
    /// What it says, and the default.
    pub about: &'static str,
    /// A value, as written.
    pub example: &'static str,
}

impl Key {
    /// How a message shows what would be right.
    pub(crate) fn such_as(&self) -> String {
        format!("such as `{} = {}`", self.name, self.example)
    }
}

const fn must(name: &'static str, kind: Kind, example: &'static str, about: &'static str) -> Key {
    Key {
        name,
        kind,
        required: true,
        about,
        example,
    }
}

const fn may(name: &'static str, kind: Kind, example: &'static str, about: &'static str) -> Key {
    Key {
        name,
        kind,
        required: false,
        about,
        example,
    }
}

/// A kind of table at the top of the file.
#[derive(Clone, Copy, Debug)]
pub struct Top {
    /// `station`, or `line` of `[line.NAME]`.
    pub name: &'static str,
    /// Whether a name follows.
    pub named: bool,
    /// What it describes.
    pub about: &'static str,
    /// Its keys.
    pub keys: &'static [Key],
}

/// The tables at the top of the file, in the order in which a person writes them.
pub const TOPS: &[Top] = &[
    Top {
        name: "station",
        named: false,
        about: "The station: this daemon on this machine.",
        keys: STATION,
    },
    Top {
        name: "http",
        named: false,
        about: "The page and the API.",
        keys: HTTP,
    },
    Top {
        name: "line",
        named: true,
        about: "One physical way to devices. Exactly one of the drivers `modbus-rtu`, `modbus-tcp`, `text`, `iio` describes how to talk.",
        keys: LINE,
    },
    Top {
        name: "module",
        named: true,
        about: "An analog input module: one Modbus unit on a line, with the registers to read. Its inputs are counted from 1.",
        keys: MODULE,
    },
    Top {
        name: "meter",
        named: true,
        about: "A velocity/temperature instrument. Each key yields a channel named `METER.key`.",
        keys: METER,
    },
    Top {
        name: "channel",
        named: true,
        about: "Any other recorded quantity.",
        keys: CHANNEL,
    },
];

/// `[station]`
pub const STATION: &[Key] = &[
    may(
        "name",
        Kind::Text,
        "\"Curing oven 3\"",
        "shown on the page and in every export; default `Zonda`",
    ),
    may(
        "time_zone",
        Kind::Text,
        "\"Europe/Berlin\"",
        "IANA name of the laboratory's time zone; the record itself is in UTC; default `UTC`",
    ),
    may(
        "data",
        Kind::Text,
        "\"/var/lib/zonda\"",
        "directory of the record, on a local disk; default `data`",
    ),
    may(
        "commit_every",
        Kind::Amount,
        "\"1 s\"",
        "how often the record is made durable, 0.25 s to 10 s: the most a power cut can take; default 1 s",
    ),
    may(
        "memory_samples",
        Kind::Whole,
        "1_000_000",
        "how many samples memory holds while the disk takes none; about 100 bytes each; default 1 000 000",
    ),
];

/// `[http]`
pub const HTTP: &[Key] = &[may(
    "listen",
    Kind::Text,
    "\"127.0.0.1:7360\"",
    "address and port of the page and the API, loopback only for now; port 0 takes any free one; default `127.0.0.1:7360`",
)];

/// `[line.NAME]`
pub const LINE: &[Key] = &[
    must(
        "every",
        Kind::Amount,
        "\"1 s\"",
        "the tick: how often each device on the line is asked, or expected to speak. Ticks lie on the UTC grid",
    ),
    may(
        "simulated",
        Kind::Flag,
        "true",
        "a rig plays the devices: every reading is marked `simulated`; default false",
    ),
    may(
        "modbus-rtu",
        Kind::Table(RTU),
        "{ port = \"/dev/serial/by-id/…\", serial = \"19200 8E1\" }",
        "Modbus RTU on a serial port",
    ),
    may(
        "modbus-tcp",
        Kind::Table(TCP),
        "{ address = \"192.0.2.10:502\" }",
        "Modbus TCP; one connection for all units behind it",
    ),
    may(
        "text",
        Kind::Table(TEXT),
        "{ port = \"/dev/serial/by-id/…\", serial = \"9600 8N1\", fields = [\"velocity\", \"temperature\"] }",
        "ASCII lines over a serial port or TCP",
    ),
    may(
        "iio",
        Kind::Table(IIO),
        "{ name = \"adc12-4\", channels = { voltage0 = \"3 mV\" } }",
        "a converter that the Linux kernel reads (Industrial I/O), such as one on a small board; its channels are the line's inputs",
    ),
];

/// `modbus-rtu` of a line
pub const RTU: &[Key] = &[
    must(
        "port",
        Kind::Text,
        "\"/dev/serial/by-id/usb-adapter-A1\"",
        "the serial port, by a path that stays with the adapter",
    ),
    must(
        "serial",
        Kind::Text,
        "\"19200 8E1\"",
        "speed in baud, data bits, parity (N, E, O), stop bits",
    ),
    may(
        "silence",
        Kind::Amount,
        "\"5 ms\"",
        "silence kept before each request; never less than the 3.5 characters of the standard; default those",
    ),
];

/// `modbus-tcp` of a line
pub const TCP: &[Key] = &[must(
    "address",
    Kind::Text,
    "\"192.0.2.10:502\"",
    "host and port; the port may be left out (502)",
)];

/// `text` of a line
pub const TEXT: &[Key] = &[
    may(
        "port",
        Kind::Text,
        "\"/dev/serial/by-id/usb-adapter-P7\"",
        "the serial port",
    ),
    may(
        "serial",
        Kind::Text,
        "\"9600 8N1\"",
        "speed in baud, data bits, parity, stop bits; needed with `port`",
    ),
    may(
        "address",
        Kind::Text,
        "\"192.0.2.11:4001\"",
        "host and port, in place of `port` and `serial`",
    ),
    may(
        "ask",
        Kind::Text,
        "\"D\\r\"",
        "sent at each tick; without it the device is listened to",
    ),
    may(
        "timeout",
        Kind::Amount,
        "\"400 ms\"",
        "how long to wait for the line after asking, shorter than the tick; default 300 ms, or half the tick where that is shorter",
    ),
    may(
        "terminator",
        Kind::Text,
        "\"CRLF\"",
        "what ends a line: `CR`, `LF`, `CRLF`, `any` mix of them, or its own characters; default `any`",
    ),
    may(
        "prefix",
        Kind::Text,
        "\"$\"",
        "what every line begins with; default nothing",
    ),
    may(
        "fields",
        Kind::Texts,
        "[\"velocity\", \"temperature\"]",
        "names of the fields in their order; `-` for one to skip, `'text'` for one that must be just that",
    ),
    may(
        "delimiter",
        Kind::Text,
        "\";\"",
        "what stands between the fields: one character, `tab` or `blanks`; default `blanks`",
    ),
    may(
        "pattern",
        Kind::Text,
        "'V=(?<velocity>\\S+) T=(?<temperature>\\S+)'",
        "a regular expression that the whole line matches, each named group a field; in place of `fields` and `delimiter`",
    ),
    may(
        "units",
        Kind::Pairs,
        "{ velocity = \"m/s\" }",
        "text behind a field's number; what follows the number must be this",
    ),
    may(
        "decimals",
        Kind::Pairs,
        "{ velocity = \"2\" }",
        "how many digits stand after the decimal mark; a number with more or fewer is refused",
    ),
    may(
        "decimal_comma",
        Kind::Flag,
        "true",
        "numbers are written as 12,34; default false",
    ),
    may(
        "exponent",
        Kind::Flag,
        "true",
        "numbers may carry an exponent, as 1.2E3; default false",
    ),
    may(
        "status",
        Kind::Pairs,
        "{ \"----\" = \"no_number\", \"OVER\" = \"over_range\" }",
        "words in place of a number, and the quality flags that each stands for",
    ),
    may(
        "encoding",
        Kind::Text,
        "\"latin-1\"",
        "`utf-8` (default) or `latin-1`, for meters whose degree sign is the byte B0",
    ),
    may(
        "checksum",
        Kind::Table(CHECKSUM),
        "{ computes = \"xor\", separator = \"*\" }",
        "two hexadecimal digits at the end of each line; default none. Only a checksum rules out that a damaged line shows another number",
    ),
    may(
        "line_max",
        Kind::Whole,
        "256",
        "the longest line in bytes, without its terminator; a longer one is dropped and counted; default 256",
    ),
    may(
        "line_length",
        Kind::Whole,
        "24",
        "where every line has the same length: its bytes, without the terminator; in place of `line_max`. A line that lost or gained a byte is then dropped and counted",
    ),
];

/// `iio` of a line
pub const IIO: &[Key] = &[
    may(
        "name",
        Kind::Text,
        "\"adc12-4\"",
        "the kind of chip, as the device's attribute `name` says it; exactly one device must match",
    ),
    may(
        "label",
        Kind::Text,
        "\"inlet board\"",
        "the device's attribute `label`, where the board's description gives it one",
    ),
    may(
        "bus_address",
        Kind::Text,
        "\"1-0048\"",
        "where the chip is on its bus, as the kernel names its parent; tells two chips of one name apart",
    ),
    must(
        "channels",
        Kind::Pairs,
        "{ voltage0 = \"0.1875 mV\", temp = \"processed\" }",
        "the channels, and what one count of each stands for: the kernel's scale with its unit (`mV`, `mA`, `Ω`, `°C`, `%`, `kPa`), or `processed` where the kernel gives the value itself. A device whose scale is another is refused",
    ),
    may(
        "offsets",
        Kind::Pairs,
        "{ temp = \"-1024\" }",
        "what the kernel adds to a channel's count before scaling it (`_offset`); default 0",
    ),
    may(
        "discard_first",
        Kind::Flag,
        "true",
        "each channel is read twice and the first reading thrown away: behind a multiplexer it can hold part of the channel before; default false",
    ),
    may(
        "settle",
        Kind::Amount,
        "\"2 ms\"",
        "the wait between the two readings; default none",
    ),
    may(
        "timeout",
        Kind::Amount,
        "\"200 ms\"",
        "the longest that the readings of one tick may take, shorter than the tick; default 300 ms, or half the tick where that is shorter",
    ),
    may(
        "root",
        Kind::Text,
        "\"/sys/bus/iio/devices\"",
        "the folder of the devices; default `/sys/bus/iio/devices`",
    ),
];

/// `checksum` of a text line
pub const CHECKSUM: &[Key] = &[
    must(
        "computes",
        Kind::Text,
        "\"xor\"",
        "`xor`, `sum` or `negated_sum` of the line's bytes, modulo 256",
    ),
    must(
        "separator",
        Kind::Text,
        "\"*\"",
        "what stands between the line and the digits; may be empty with `line_length`",
    ),
    may(
        "covers",
        Kind::Texts,
        "[\"prefix\", \"separator\"]",
        "what counts beside the line's own text; default nothing",
    ),
];

/// `[module.NAME]`
pub const MODULE: &[Key] = &[
    must("line", Kind::Text, "\"bench\"", "the line it is on"),
    must(
        "unit",
        Kind::Whole,
        "1",
        "Modbus unit: 1 to 247 on RTU, 0 to 255 on TCP",
    ),
    must(
        "registers",
        Kind::Text,
        "\"input 0-15\"",
        "table (`input` or `holding`) and zero-based addresses, first to last (what a manual calls 30001 is `input 0`)",
    ),
    must(
        "code",
        Kind::Text,
        "\"int16\"",
        "how a register's bits form a number: uint16, int16, offset16, uint32, int32, float32",
    ),
    may(
        "word_order",
        Kind::Text,
        "\"high first\"",
        "of 32-bit codes: which register holds the high word, `high first` or `low first`; default `high first`",
    ),
    may(
        "bits",
        Kind::Whole,
        "12",
        "resolution where the converter has fewer bits than the register; end codes are then marked `saturated`",
    ),
    may(
        "left_justified",
        Kind::Flag,
        "true",
        "the code stands in the upper bits of the register; default false",
    ),
    may(
        "count",
        Kind::Text,
        "\"1 mV\"",
        "what one count stands for, such as `1 mV`, `1 µA`, `10 V / 32768`; left out where the code is the value itself",
    ),
    may(
        "zero",
        Kind::Whole,
        "0",
        "the count at which the signal is zero; default 0",
    ),
    may(
        "timeout",
        Kind::Amount,
        "\"300 ms\"",
        "the longest wait for an answer, shorter than the tick; default 300 ms, or half the tick where that is shorter",
    ),
    may(
        "retries",
        Kind::Whole,
        "0",
        "how often a failed request is repeated within its tick, 0 to 3; default 0",
    ),
    may(
        "registers_max",
        Kind::Whole,
        "125",
        "the most registers it hands over in one request, 1 to 125; default 125",
    ),
];

const INPUT: Key = must(
    "input",
    Kind::Text,
    "\"A.1\"",
    "where the code comes from: module and input, or text line and field",
);
const SIGNAL: Key = may(
    "signal",
    Kind::Text,
    "\"4-20 mA\"",
    "the signal's span: 0-1 V, 0-5 V, 0-10 V, 1-5 V, 0-20 mA, 4-20 mA or any other in V or mA",
);
const RANGE: Key = may(
    "range",
    Kind::Text,
    "\"0-50 m/s\"",
    "what the signal's span stands for, as set on the meter; reversed ones (`500-0 °C`) too",
);
const UNIT: Key = may(
    "unit",
    Kind::Text,
    "\"m/s\"",
    "unit of the number, where the source sends values and not signals",
);
const SHUNT: Key = may(
    "shunt",
    Kind::Amount,
    "\"250 Ω\"",
    "resistor through which the module measures a current as a voltage",
);
const BANDS: Key = may(
    "fault_bands",
    Kind::Text,
    "\"ne43\"",
    "of 4-20 mA: `ne43` (default), `off`, or four limits such as `3.6 3.8 20.5 21 mA`",
);
const UNDER: Key = may(
    "under_range",
    Kind::Text,
    "\"flag\"",
    "of voltages and 0-20 mA below their span: `flag` (default), `fault` (no value) or `accept`",
);
const OVER: Key = may(
    "over_range",
    Kind::Text,
    "\"flag\"",
    "the same above the span",
);
const MARGIN: Key = may(
    "margin",
    Kind::Amount,
    "\"10 mV\"",
    "how far outside its span a signal still counts as inside it; default 0",
);

/// One output of a meter.
pub const OUTPUT: &[Key] = &[
    INPUT, SIGNAL, RANGE, UNIT, SHUNT, BANDS, UNDER, OVER, MARGIN,
];

/// `[meter.NAME]`
pub const METER: &[Key] = &[
    may(
        "velocity",
        Kind::Table(OUTPUT),
        "{ input = \"A.1\", signal = \"4-20 mA\", range = \"0-50 m/s\" }",
        "its velocity output",
    ),
    may(
        "temperature",
        Kind::Table(OUTPUT),
        "{ input = \"A.2\", signal = \"4-20 mA\", range = \"0-500 °C\" }",
        "its temperature output",
    ),
];

/// `[channel.NAME]`
pub const CHANNEL: &[Key] = &[
    must(
        "quantity",
        Kind::Text,
        "\"pressure\"",
        "what is measured: velocity, temperature, pressure, humidity, voltage, current, resistance, …",
    ),
    INPUT,
    SIGNAL,
    RANGE,
    UNIT,
    SHUNT,
    BANDS,
    UNDER,
    OVER,
    MARGIN,
];
