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
    /// A number without a unit.
    Number,
    /// A list of texts.
    Texts,
    /// A list of numbers without a unit.
    Numbers,
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
            Self::Number => "a bare number",
            Self::Texts => "a list of texts",
            Self::Numbers => "a list of bare numbers",
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

pub(crate) const fn must(
    name: &'static str,
    kind: Kind,
    example: &'static str,
    about: &'static str,
) -> Key {
    Key {
        name,
        kind,
        required: true,
        about,
        example,
    }
}

pub(crate) const fn may(
    name: &'static str,
    kind: Kind,
    example: &'static str,
    about: &'static str,
) -> Key {
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
        name: "report",
        named: false,
        about: "What the laboratory says of itself in test reports.",
        keys: crate::report::REPORT,
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
        name: "envelope",
        named: true,
        about: "Where a kind of probe can be believed: temperature bands, each with the velocities that can be measured in it. Probes refer to it by name. A velocity outside is kept and flagged: `below_threshold` (slower than the probe can measure at this temperature; a censored number, never a zero), `above_envelope`, `outside_envelope` (no band reaches the temperature), and `moved` where the same probe's temperature at the same tick is missing or flawed.",
        keys: ENVELOPE,
    },
    Top {
        name: "certificate",
        named: true,
        about: "What a calibration laboratory found: points of an instrument with their uncertainty. Readings are put right by it; outside its points they are `uncalibrated`, and from the day after its due date (UTC) on `calibration_overdue`. Either everything stands here, or in a CSV table.",
        keys: CERTIFICATE,
    },
    Top {
        name: "meter",
        named: true,
        about: "A velocity/temperature instrument with its probe. Each of its outputs yields a channel named `METER.key`. A meter that is heard both ways, by analog output and by text line, has both: the two are compared.",
        keys: METER,
    },
    Top {
        name: "channel",
        named: true,
        about: "Any other recorded quantity.",
        keys: CHANNEL,
    },
    Top {
        name: "derived",
        named: true,
        about: "A channel that is computed from others, tick by tick, by a law of the list: where all its inputs have a reading. Its value keeps what its inputs' flags say (`simulated`, `uncalibrated`, `calibration_overdue`), and is `moved` where one of them is flawed; where one is missing, there is a gap with that one's cause. It has the tick of its slowest input and takes the first reading of each within it. There is no code behind it: it is recomputed from the samples of its inputs.",
        keys: crate::derived::DERIVED,
    },
    Top {
        name: "layout",
        named: true,
        about: "Where the probes stand in a duct or a work zone, and which channels read there. Runs and evaluations refer to it by name.",
        keys: crate::layout::LAYOUT,
    },
    Top {
        name: "evaluation",
        named: true,
        about: "What is asked of runs again and again: templates of runs ask for it by its name. The same keys, as JSON, ask for one on the command line (`zonda evaluate --ask`) and in the API.",
        keys: crate::evaluation::EVALUATION,
    },
    Top {
        name: "run",
        named: true,
        about: "A template of runs: `zonda run start --template NAME` asks for a run as it stands here; what is said on the command line goes before it.",
        keys: crate::run::RUN,
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
    may(
        "needs_certificate",
        Kind::Texts,
        "[\"velocity\"]",
        "quantities for which every meter needs a certificate; one without is flagged `uncalibrated`; default none. A meter's own key stands in its place",
    ),
    may(
        "loop_tolerance",
        Kind::Text,
        "\"0.5 %\"",
        "the largest error that passes a loop check, of the span; default 0.5 %",
    ),
    may(
        "loop_check_days",
        Kind::Whole,
        "365",
        "how many days a loop check counts; default 365",
    ),
];

/// `[http]`
pub const HTTP: &[Key] = &[
    may(
        "listen",
        Kind::Text,
        "\"127.0.0.1:7360\"",
        "address and port of the page and the API; port 0 takes any free one; default `127.0.0.1:7360`. Beyond the machine itself, such as at `0.0.0.0:7360`, everybody needs a token: see `zonda token`",
    ),
    may(
        "hosts",
        Kind::Texts,
        "[\"oven3.lab.example\"]",
        "names by which browsers may call the station, beside its addresses; any other name is refused, since it may be another site's trick",
    ),
];

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
    may(
        "identity",
        Kind::Table(TEXT_IDENTITY),
        "{ ask = \"I\\r\", is = \"M-4711\" }",
        "who the meter must be, where it is asked: it is asked when the port is opened and when it comes back after a silence, and refused where it is another; default anybody",
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

/// `identity` of a text line
pub const TEXT_IDENTITY: &[Key] = &[
    must(
        "ask",
        Kind::Text,
        "\"I\\r\"",
        "sent in order to know which meter it is",
    ),
    must(
        "is",
        Kind::Text,
        "\"M-4711\"",
        "what must stand in its answer, such as the serial number",
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
        "accuracy",
        Kind::Text,
        "\"0.05 % of 10 V\"",
        "the limits of its error by its data sheet: terms `of reading`, `of span` (the signal's), of an amount, or an amount, joined by `+`; default not stated",
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
    may(
        "identity",
        Kind::Table(IDENTITY),
        "{ registers = \"holding 200-201\", is = \"4711\" }",
        "who the unit must be: it is asked when the line is opened and when it comes back after a silence, and refused where it is another; default anybody",
    ),
];

/// `identity` of a module
pub const IDENTITY: &[Key] = &[
    may(
        "registers",
        Kind::Text,
        "\"holding 200-201\"",
        "registers that hold its serial number, as a number of one to four registers or as characters, two in each",
    ),
    may(
        "object",
        Kind::Text,
        "\"product\"",
        "in place of `registers`: an object of its device identification (function 43/14): vendor, product, revision, url, product_name, model, application, or a number from 128 to 255",
    ),
    must(
        "is",
        Kind::Text,
        "\"4711\"",
        "what must stand there, such as the serial number",
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
    "of voltages and 0-20 mA below their span: `flag` (default), `fault` (no value), `open` (no value: a bias resistor pulls a broken lead there) or `accept`",
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

const SHUNT_TOLERANCE: Key = may(
    "shunt_tolerance",
    Kind::Text,
    "\"0.1 %\"",
    "the limits of the shunt's error, of its resistance; default not stated",
);
const SHOWN_IN: Key = may(
    "shown_in",
    Kind::Text,
    "\"°F\"",
    "unit in which the channel is shown; default the range's, or what the step gives",
);
const SQUARE_ROOT: Key = may(
    "square_root",
    Kind::Flag,
    "true",
    "the signal is a differential pressure's and the range a velocity's or flow's: the root is taken here, once; default false",
);
const CUT_OFF: Key = may(
    "cut_off",
    Kind::Text,
    "\"1 %\"",
    "of a square root: below this share of the pressure's span the result is 0 and `below_threshold`; default 1 %",
);
const PITOT_KEY: Key = may(
    "pitot",
    Kind::Table(PITOT),
    "{ coefficient = 1.0, density = \"0.78 kg/m³\" }",
    "the range is a differential pressure before a pitot tube: the channel is the velocity, for air of this density",
);
const THERMOCOUPLE_KEY: Key = may(
    "thermocouple",
    Kind::Table(THERMOCOUPLE),
    "{ type = \"K\", cold_junction = \"terminals\" }",
    "the source measures a thermocouple's e.m.f. (IEC 60584-1); it is compensated as e.m.f., never as temperature",
);
const PLATINUM_KEY: Key = may(
    "platinum",
    Kind::Table(PLATINUM),
    "{ type = \"Pt100\" }",
    "the source measures the resistance of a platinum thermometer (IEC 60751)",
);
const TABLE_KEY: Key = may(
    "table",
    Kind::Table(TABLE),
    "{ points = [\"0 V: 0 m/s\", \"1 V: 4.2 m/s\", \"5 V: 30 m/s\"] }",
    "a characteristic by points, which must rise or fall throughout; outside them the reading is flagged",
);
const POLYNOMIAL_KEY: Key = may(
    "polynomial",
    Kind::Table(POLYNOMIAL),
    "{ domain = \"0-5 V\", unit = \"m/s\", coefficients = [0.0, 4.2, 0.3] }",
    "a characteristic by coefficients, which must rise or fall throughout its domain; outside it there is no value",
);
const ACCURACY: Key = may(
    "accuracy",
    Kind::Text,
    "\"1.5 % of reading + 0.02 m/s\"",
    "the limits of the instrument's own error by its data sheet, as for a module; default not stated",
);
const OUTPUT_ACCURACY: Key = may(
    "output_accuracy",
    Kind::Text,
    "\"0.1 % of span\"",
    "the limits of what an analog output adds, of the range's span or in the quantity's unit; default not stated",
);
const BASIS: Key = may(
    "basis",
    Kind::Text,
    "\"standard 21.1 °C\"",
    "of a velocity or volume flow, what the number is one of: `actual`, or `standard` at a reference: 0, 15, 20, 21.1, 25 °C, which are dry air at 101.325 kPa, `normal` for the first, or one's own such as `standard 20 °C, 100 kPa` or `standard 1.2 kg/m³`. The meter's papers say which; default not stated, and so it is shown",
);
const PLACE: Key = may(
    "place",
    Kind::Text,
    "\"1 % of reading\"",
    "the limits of what the probe's place adds: the gradient about it, times how well it was put there; as an accuracy; default not stated",
);
const YAW: Key = may(
    "yaw",
    Kind::Text,
    "\"5°\"",
    "of a velocity: by how much the flow may come from elsewhere than the probe expects; a probe turned by α reads the share cos α; default not stated",
);
const RADIATION: Key = may(
    "radiation",
    Kind::Text,
    "\"3 K\"",
    "of a temperature: the limits of how far the sensor is from the air, by radiation to colder or hotter walls and along its stem. A bare sensor in air of 300 °C that sees walls of 250 °C reads 4 to 11 K low; a shield lessens it; default not stated",
);
const DENSITY_CORRECTION_KEY: Key = may(
    "density_correction",
    Kind::Table(DENSITY_CORRECTION),
    "{ temperature = \"200 °C\", temperature_accuracy = \"2 K\", pressure = \"1013 hPa\", pressure_accuracy = \"2 kPa\" }",
    "of a velocity that the meter itself makes an actual one: the state of the air that it does so by; default it does not",
);
const STUCK_AFTER: Key = may(
    "stuck_after",
    Kind::Amount,
    "\"10 min\"",
    "a reading that stands still for so long is flagged `stuck`, until it moves; `off` for never. Default of a meter's velocity 10 min, of its temperature 1 h, of other channels never",
);
const STUCK_BAND: Key = may(
    "stuck_band",
    Kind::Amount,
    "\"5 µA\"",
    "how far the signal may move and still count as standing still: the converter's noise. Default of a velocity 0.1 % of the signal's span, else 0",
);
const LOOP_TOLERANCE: Key = may(
    "loop_tolerance",
    Kind::Text,
    "\"0.25 %\"",
    "the largest error that passes this channel's loop check, of the span; default the station's",
);

/// One output of a meter.
pub const OUTPUT: &[Key] = &[
    INPUT,
    SIGNAL,
    RANGE,
    UNIT,
    BASIS,
    SHOWN_IN,
    SHUNT,
    SHUNT_TOLERANCE,
    BANDS,
    UNDER,
    OVER,
    MARGIN,
    SQUARE_ROOT,
    CUT_OFF,
    PITOT_KEY,
    THERMOCOUPLE_KEY,
    PLATINUM_KEY,
    TABLE_KEY,
    POLYNOMIAL_KEY,
    ACCURACY,
    PLACE,
    YAW,
    RADIATION,
    DENSITY_CORRECTION_KEY,
    STUCK_AFTER,
    STUCK_BAND,
    LOOP_TOLERANCE,
];

/// `pitot` of an output
pub const PITOT: &[Key] = &[
    may(
        "coefficient",
        Kind::Number,
        "0.84",
        "of the tube; default 1, which holds for the L shape",
    ),
    must(
        "density",
        Kind::Amount,
        "\"0.78 kg/m³\"",
        "of the air where the tube is; it is taken as constant, and an error of 2 % in it makes 1 % of velocity",
    ),
    may(
        "cut_off",
        Kind::Amount,
        "\"0.5 Pa\"",
        "below this pressure the velocity is 0 and `below_threshold`; default 1 % of the range",
    ),
];

/// `density_correction` of an output
pub const DENSITY_CORRECTION: &[Key] = &[
    must(
        "temperature",
        Kind::Amount,
        "\"200 °C\"",
        "the temperature that the meter takes the air to have",
    ),
    must(
        "temperature_accuracy",
        Kind::Amount,
        "\"2 K\"",
        "the limits of the error of that",
    ),
    must(
        "pressure",
        Kind::Amount,
        "\"1013 hPa\"",
        "the absolute pressure that it takes the air to have",
    ),
    must(
        "pressure_accuracy",
        Kind::Amount,
        "\"2 kPa\"",
        "the limits of the error of that: one that was set once differs by the weather, some 2 kPa",
    ),
];

/// `thermocouple` of an output
pub const THERMOCOUPLE: &[Key] = &[
    must(
        "type",
        Kind::Text,
        "\"K\"",
        "its letter: B, E, J, K, N, R, S or T",
    ),
    must(
        "cold_junction",
        Kind::Text,
        "\"terminals\"",
        "the channel that reads the temperature of the terminals at the same tick, or a fixed temperature such as `0 °C` where the module compensates already",
    ),
];

/// `platinum` of an output
pub const PLATINUM: &[Key] = &[
    may(
        "type",
        Kind::Text,
        "\"Pt100\"",
        "Pt100, Pt500 or Pt1000, with the coefficients of IEC 60751",
    ),
    may(
        "r0",
        Kind::Amount,
        "\"100.02 Ω\"",
        "its own resistance at 0 °C, in place of `type`",
    ),
    may(
        "a",
        Kind::Number,
        "3.9083e-3",
        "A in K⁻¹; default that of IEC 60751",
    ),
    may(
        "b",
        Kind::Number,
        "-5.775e-7",
        "B in K⁻²; default that of IEC 60751",
    ),
    may(
        "c",
        Kind::Number,
        "-4.183e-12",
        "C in K⁻⁴; default that of IEC 60751",
    ),
];

/// `table` of an output
pub const TABLE: &[Key] = &[
    must(
        "points",
        Kind::Texts,
        "[\"0 V: 0 m/s\", \"1 V: 4.2 m/s\", \"5 V: 30 m/s\"]",
        "what the source measures and what it stands for, ascending; all in the same two units",
    ),
    may(
        "interpolation",
        Kind::Text,
        "\"cubic\"",
        "between the points: `linear` (default) or `cubic` (monotone)",
    ),
];

/// `polynomial` of an output
pub const POLYNOMIAL: &[Key] = &[
    must(
        "domain",
        Kind::Text,
        "\"0-5 V\"",
        "where it holds, in the unit that it is fed with",
    ),
    must("unit", Kind::Text, "\"m/s\"", "the unit of what it gives"),
    must(
        "coefficients",
        Kind::Numbers,
        "[0.0, 4.2, 0.3]",
        "by ascending powers, in those two units",
    ),
];

/// `[envelope.NAME]`
pub const ENVELOPE: &[Key] = &[
    must(
        "velocity",
        Kind::Texts,
        "[\"0-100 °C: 0.2-50 m/s\", \"100-200 °C: 0.4-50 m/s\"]",
        "the bands from cold to hot, each beginning where the one before ends: temperatures, and the lowest and highest velocity in them",
    ),
    may(
        "temperature",
        Kind::Text,
        "\"0-500 °C\"",
        "where the temperature itself is believed; it may reach further than the bands; default as far as they",
    ),
];

/// `[certificate.NAME]`
pub const CERTIFICATE: &[Key] = &[
    may(
        "table",
        Kind::Text,
        "\"certificates/K-2041.csv\"",
        "a CSV file that holds the certificate, beside this one: lines `certificate`, `laboratory`, `date`, `due`, `quantity`, `range`, then the points under `reference,reading,uncertainty,k`",
    ),
    may(
        "number",
        Kind::Text,
        "\"K-2041\"",
        "the certificate's number at the laboratory",
    ),
    may(
        "laboratory",
        Kind::Text,
        "\"accredited laboratory 12\"",
        "its name or accreditation number; default none",
    ),
    may("date", Kind::Text, "\"2026-03-02\"", "when it was made"),
    may(
        "due",
        Kind::Text,
        "\"2027-03-02\"",
        "the last day on which it may be relied upon",
    ),
    may(
        "quantity",
        Kind::Text,
        "\"velocity\"",
        "what was calibrated",
    ),
    may(
        "range",
        Kind::Text,
        "\"0-50 m/s\"",
        "the instrument's range; its unit is that of the points",
    ),
    may(
        "points",
        Kind::Texts,
        "[\"0.50: 0.47 ± 0.03\", \"5.0: 4.9 ± 0.1\"]",
        "reference, reading and expanded uncertainty of each point, in the range's unit",
    ),
    may(
        "k",
        Kind::Number,
        "2",
        "the coverage factor of the uncertainties, 1 to 10; default 2",
    ),
    may(
        "method",
        Kind::Text,
        "\"least squares\"",
        "how readings are put right: `interpolation` (default; monotone, through the points) or `least squares` (a straight line, whose scatter counts as uncertainty)",
    ),
    may(
        "drift_per_year",
        Kind::Text,
        "\"0.5 % of reading\"",
        "by how much the instrument may drift in a year since, as an accuracy; default not stated",
    ),
];

/// `probe` of a meter
pub const PROBE: &[Key] = &[
    may("serial", Kind::Text, "\"P-0815\"", "its serial number"),
    may(
        "number",
        Kind::Text,
        "\"23\"",
        "the number that the meter must carry for it, because a meter holds its probe's characteristics",
    ),
    may(
        "envelope",
        Kind::Text,
        "\"hot-probe\"",
        "where it can be believed: the name of an `[envelope.NAME]`; default everywhere",
    ),
    may(
        "cable_limit",
        Kind::Amount,
        "\"200 °C\"",
        "the highest temperature that its cable holds; default not stated",
    ),
];

/// How a meter's velocity is written, for messages.
pub(crate) const METER_OUTPUT: &str =
    "{ input = \"A.1\", signal = \"4-20 mA\", range = \"0-50 m/s\" }";

/// `[meter.NAME]`
pub const METER: &[Key] = &[
    may(
        "velocity",
        Kind::Table(OUTPUT),
        METER_OUTPUT,
        "its velocity output",
    ),
    may(
        "temperature",
        Kind::Table(OUTPUT),
        "{ input = \"A.2\", signal = \"4-20 mA\", range = \"0-500 °C\" }",
        "its temperature output",
    ),
    may(
        "velocity-text",
        Kind::Table(OUTPUT),
        "{ input = \"m7.velocity\", unit = \"m/s\" }",
        "the velocity that it says in its line of text as well",
    ),
    may(
        "temperature-text",
        Kind::Table(OUTPUT),
        "{ input = \"m7.temperature\", unit = \"°C\" }",
        "the temperature that it says in its line of text as well",
    ),
    may("serial", Kind::Text, "\"M-4711\"", "its serial number"),
    may(
        "probe_number",
        Kind::Text,
        "\"23\"",
        "the number of the probe whose characteristics it holds, as its display or label says",
    ),
    may(
        "probe",
        Kind::Table(PROBE),
        "{ serial = \"P-0815\", number = \"23\", envelope = \"hot-probe\", cable_limit = \"200 °C\" }",
        "the probe that is on it",
    ),
    may(
        "certificates",
        Kind::Texts,
        "[\"K-2041\"]",
        "names of its `[certificate.NAME]`s, one a quantity: each puts every output of its quantity right",
    ),
    may(
        "needs_certificate",
        Kind::Texts,
        "[\"velocity\"]",
        "the quantities for which it needs one, in place of the station's; `[]` for none",
    ),
    OUTPUT_ACCURACY,
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
    BASIS,
    SHOWN_IN,
    SHUNT,
    SHUNT_TOLERANCE,
    BANDS,
    UNDER,
    OVER,
    MARGIN,
    SQUARE_ROOT,
    CUT_OFF,
    PITOT_KEY,
    THERMOCOUPLE_KEY,
    PLATINUM_KEY,
    TABLE_KEY,
    POLYNOMIAL_KEY,
    may(
        "certificate",
        Kind::Text,
        "\"K-2041\"",
        "the name of its `[certificate.NAME]`, which puts its readings right",
    ),
    ACCURACY,
    PLACE,
    YAW,
    RADIATION,
    DENSITY_CORRECTION_KEY,
    OUTPUT_ACCURACY,
    STUCK_AFTER,
    STUCK_BAND,
    LOOP_TOLERANCE,
];
