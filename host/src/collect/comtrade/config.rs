//! The configuration part of a COMTRADE recording (IEEE C37.111-1991, -1999, -2013).
//! Says what each channel is; reads no samples.

use super::ComtradeFault;

/// One analog channel.
#[derive(Clone, Debug, PartialEq)]
pub struct Analog {
    /// Its number as written.
    pub number: String,
    /// Its name (`ch_id`).
    pub name: String,
    /// Its phase (`ph`).
    pub phase: String,
    /// The circuit component (`ccbm`).
    pub component: String,
    /// Its unit (`uu`).
    pub unit: String,
    /// Multiplier from stored value to unit.
    pub a: f64,
    /// Offset in the unit.
    pub b: f64,
    /// How late within a sample period it is sampled, in µs.
    pub skew_us: f64,
    /// Smallest stored value.
    pub min: f64,
    /// Largest stored value.
    pub max: f64,
    /// What turns its values into primary values.
    pub to_primary: f64,
}

/// A stretch of one sample rate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Section {
    /// Samples per second; 0 when only the time stamps tell.
    pub rate_hz: f64,
    /// Number of its last sample, from 1.
    pub last: u64,
}

/// How samples are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Storage {
    /// Lines of text.
    Ascii,
    /// 16-bit integers.
    Binary,
    /// 32-bit integers.
    Binary32,
    /// 32-bit floating point.
    Float32,
}

impl Storage {
    /// The storage with the name used in files, in any case.
    pub fn from_name(name: &str) -> Option<Storage> {
        match name.trim().to_ascii_uppercase().as_str() {
            "ASCII" => Some(Storage::Ascii),
            "BINARY" => Some(Storage::Binary),
            "BINARY32" => Some(Storage::Binary32),
            "FLOAT32" => Some(Storage::Float32),
            _ => None,
        }
    }
}

/// What the configuration says.
#[derive(Clone, Debug, PartialEq)]
pub struct Config {
    /// Analog channels in order.
    pub analog: Vec<Analog>,
    /// Number of digital channels.
    pub digital: usize,
    /// Line frequency in Hz.
    pub line_hz: f64,
    /// Stretches of sample rate in order; at least one.
    pub sections: Vec<Section>,
    /// How samples are stored.
    pub storage: Storage,
    /// Seconds in a unit of the time stamps.
    pub stamp_s: f64,
}

/// Text of a file: UTF-8, or ISO-8859-1 where it is not; a SUB character ends it.
pub fn text_of(bytes: &[u8]) -> String {
    let end = bytes.iter().position(|&b| b == 0x1A).unwrap_or(bytes.len());
    let bytes = bytes.get(..end).unwrap_or(bytes);
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    match std::str::from_utf8(bytes) {
        Ok(text) => text.to_owned(),
        Err(_) => bytes.iter().map(|&b| char::from(b)).collect(),
    }
}

/// Lines with their numbers, cut into fields.
struct Lines<'a> {
    lines: std::str::Lines<'a>,
    number: usize,
}

impl<'a> Lines<'a> {
    fn next(&mut self, what: &'static str) -> Result<Vec<&'a str>, ComtradeFault> {
        self.number += 1;
        let line = self.lines.next().ok_or(ComtradeFault::ConfigEnds { what })?;
        Ok(line.split(',').map(str::trim).collect())
    }

    fn bad(&self, what: &'static str, text: &str) -> ComtradeFault {
        ComtradeFault::Config { line: self.number, what, text: text.to_owned() }
    }

    fn number<T: std::str::FromStr>(
        &self,
        fields: &[&str],
        at: usize,
        what: &'static str,
    ) -> Result<T, ComtradeFault> {
        let text = fields.get(at).copied().unwrap_or_default();
        text.parse().map_err(|_| self.bad(what, text))
    }

    fn real(&self, fields: &[&str], at: usize, what: &'static str) -> Result<f64, ComtradeFault> {
        let x: f64 = self.number(fields, at, what)?;
        if x.is_finite() { Ok(x) } else { Err(self.bad(what, fields[at])) }
    }
}

impl Config {
    /// Reads a configuration.
    pub fn parse(text: &str) -> Result<Config, ComtradeFault> {
        let mut lines = Lines { lines: text.lines(), number: 0 };
        lines.next("the station")?;
        let counts = lines.next("the numbers of channels")?;
        let channels = |at: usize, letter: char| {
            let field = counts.get(at).copied().unwrap_or_default();
            let digits = field.trim_end_matches([letter, letter.to_ascii_lowercase()]);
            digits.trim().parse::<usize>().map_err(|_| lines.bad("a number of channels", field))
        };
        let (analogs, digital) = (channels(1, 'A')?, channels(2, 'D')?);
        let mut analog = Vec::new();
        for _ in 0..analogs {
            analog.push(parse_analog(&mut lines)?);
        }
        for _ in 0..digital {
            lines.next("a digital channel")?;
        }
        let fields = lines.next("the line frequency")?;
        // An empty line frequency is allowed.
        let line_hz = fields[0].parse().unwrap_or(0.0);
        let sections = parse_sections(&mut lines)?;
        let start = lines.next("the time of the first sample")?;
        lines.next("the time of the trigger")?;
        let fields = lines.next("the storage of samples (ASCII, BINARY, BINARY32 or FLOAT32)")?;
        let storage = Storage::from_name(fields[0]).ok_or_else(|| {
            lines.bad("the storage of samples (ASCII, BINARY, BINARY32 or FLOAT32)", fields[0])
        })?;
        // The 1991 revision ends here, with a factor of one.
        let multiplier = match lines.next("the factor of time") {
            Ok(fields) if !fields[0].is_empty() => lines.real(&fields, 0, "the factor of time")?,
            _ => 1.0,
        };
        // Nine digits of the second in the first time mean stamps in nanoseconds.
        let digits = start.last().and_then(|t| t.split_once('.')).map_or(0, |(_, s)| s.len());
        let unit_s = if digits > 6 { 1e-9 } else { 1e-6 };
        Ok(Config { analog, digital, line_hz, sections, storage, stamp_s: multiplier * unit_s })
    }
}

fn parse_analog(lines: &mut Lines<'_>) -> Result<Analog, ComtradeFault> {
    let f = lines.next("an analog channel")?;
    if f.len() < 10 {
        return Err(lines.bad("an analog channel of at least ten fields", &f.join(",")));
    }
    let side = f.get(12).copied().unwrap_or_default();
    let to_primary = match side {
        "s" | "S" => {
            let primary = lines.real(&f, 10, "the primary side's value")?;
            let secondary = lines.real(&f, 11, "the secondary side's value")?;
            let ratio = primary / secondary;
            if !(ratio.is_finite() && ratio > 0.0) {
                return Err(lines.bad("the ratio of primary to secondary", f[10]));
            }
            ratio
        }
        "p" | "P" | "" => 1.0,
        other => return Err(lines.bad("P or S (primary or secondary)", other)),
    };
    let optional = |at: usize| f[at].parse().unwrap_or(0.0);
    Ok(Analog {
        number: f[0].to_owned(),
        name: f[1].to_owned(),
        phase: f[2].to_owned(),
        component: f[3].to_owned(),
        unit: f[4].to_owned(),
        a: lines.real(&f, 5, "the multiplier a")?,
        b: lines.real(&f, 6, "the offset b")?,
        skew_us: optional(7),
        min: optional(8),
        max: optional(9),
        to_primary,
    })
}

fn parse_sections(lines: &mut Lines<'_>) -> Result<Vec<Section>, ComtradeFault> {
    let fields = lines.next("the number of sample rates")?;
    let rates: usize = lines.number(&fields, 0, "the number of sample rates")?;
    let mut sections = Vec::new();
    // No rate at all is still followed by a line that holds the number of samples.
    for _ in 0..rates.max(1) {
        let fields = lines.next("a sample rate")?;
        let rate_hz = if rates == 0 { 0.0 } else { lines.real(&fields, 0, "a sample rate")? };
        let last = lines.number(&fields, 1, "the last sample of a rate")?;
        let before = sections.last().map_or(0, |s: &Section| s.last);
        if last <= before || rate_hz < 0.0 {
            return Err(lines.bad("a rate and its last sample", &fields.join(",")));
        }
        sections.push(Section { rate_hz, last });
    }
    Ok(sections)
}

/// The parts of a recording in a single file (`.cff`).
pub struct Parts<'a> {
    /// The configuration.
    pub config: String,
    /// How the samples are stored, as the part's own heading says.
    pub storage: Option<Storage>,
    /// The samples.
    pub data: &'a [u8],
}

/// Takes a single-file recording apart.
pub fn split_parts(bytes: &[u8]) -> Result<Parts<'_>, ComtradeFault> {
    let (mut config, mut data, mut storage) = (None, None, None);
    let mut at = 0;
    let mut open: Option<(usize, String)> = None;
    while at <= bytes.len() {
        let rest = &bytes[at..];
        let length = rest.iter().position(|&b| b == b'\n').map_or(rest.len(), |n| n + 1);
        let line = &rest[..length];
        let heading = heading(line);
        if (heading.is_some() || rest.is_empty())
            && let Some((from, kind)) = open.take()
        {
            let part = &bytes[from..at];
            match kind.as_str() {
                "CFG" => config = Some(text_of(part)),
                _ if kind.starts_with("DAT") => data = Some(part),
                _ => {}
            }
        }
        at += length;
        if let Some(kind) = heading {
            if let Some(named) = kind.strip_prefix("DAT") {
                let (name, size) = named.split_once(':').unwrap_or((named, ""));
                storage = Storage::from_name(name);
                if storage != Some(Storage::Ascii) {
                    // Bytes that may look like anything: the heading says how many, or all.
                    let rest = &bytes[at..];
                    let size = size.trim().parse().unwrap_or(rest.len());
                    data = Some(
                        rest.get(..size)
                            .ok_or(ComtradeFault::CutPart { found: rest.len(), wanted: size })?,
                    );
                    at += size;
                    continue;
                }
            }
            open = Some((at, kind));
        }
        if rest.is_empty() {
            break;
        }
    }
    let config = config.ok_or(ComtradeFault::NoPart("CFG"))?;
    Ok(Parts { config, storage, data: data.ok_or(ComtradeFault::NoPart("DAT"))? })
}

/// The kind of part that a heading line opens, such as `CFG` or `DAT BINARY: 4214`.
fn heading(line: &[u8]) -> Option<String> {
    let text = std::str::from_utf8(line).ok()?.trim();
    let inner = text.strip_prefix("---")?.strip_suffix("---")?.trim();
    let (word, kind) = inner.split_at_checked(10)?;
    word.eq_ignore_ascii_case("file type:").then(|| kind.trim().to_ascii_uppercase())
}

#[cfg(test)]
mod tests {
    use super::*;

    const CONFIG_1999: &str = "Brackwater Joinery,node 7,1999\r\n3,2A,1D\r\n\
        1,Ua,A,Sawmill main,kV,0.01,-0.5,12.5,-32767,32767,400,100,S\r\n\
        2,Ia,A,Sawmill main,A,0.1,0,0,-32767,32767,200,1,P\r\n1,Door,,,0\r\n50\r\n1\r\n\
        8000,16000\r\n01/11/2026,10:00:00.000000\r\n01/11/2026,10:00:00.100000\r\nBINARY\r\n1\r\n";

    #[test]
    fn fields_are_read() {
        let c = Config::parse(CONFIG_1999).unwrap();
        assert_eq!((c.analog.len(), c.digital, c.line_hz), (2, 1, 50.0));
        let u = &c.analog[0];
        assert_eq!((u.a, u.b, u.skew_us, u.to_primary), (0.01, -0.5, 12.5, 4.0));
        assert_eq!(c.analog[1].to_primary, 1.0);
        assert_eq!(c.sections, [Section { rate_hz: 8000.0, last: 16000 }]);
        assert_eq!((c.storage, c.stamp_s), (Storage::Binary, 1e-6));
    }

    #[test]
    fn the_oldest_revision_has_fewer_fields_and_lines() {
        let text = "Brackwater Joinery,7\n1,1A,0D\n1,Ua,A,,V,1,0,0,-2048,2047\n50\n0\n\
            0,400\n11/01/26,10:00:00.0\n11/01/26,10:00:00.0\nASCII\n";
        let c = Config::parse(text).unwrap();
        assert_eq!(c.sections, [Section { rate_hz: 0.0, last: 400 }]);
        assert_eq!((c.analog[0].to_primary, c.stamp_s), (1.0, 1e-6));
    }

    #[test]
    fn faults_name_the_line() {
        let cut: String = CONFIG_1999.lines().take(6).map(|l| format!("{l}\n")).collect();
        assert!(matches!(Config::parse(&cut), Err(ComtradeFault::ConfigEnds { .. })));
        let bad = CONFIG_1999.replace("0.01", "x");
        assert!(matches!(Config::parse(&bad), Err(ComtradeFault::Config { line: 3, .. })));
        let bad = CONFIG_1999.replace("BINARY", "BINARY64");
        assert!(matches!(Config::parse(&bad), Err(ComtradeFault::Config { line: 11, .. })));
    }

    #[test]
    fn a_single_file_falls_into_its_parts() {
        let whole = format!(
            "--- file type: CFG ---\r\n{CONFIG_1999}--- file type: INF ---\r\n\r\n\
             --- file type: DAT BINARY: 7 ---\r\n"
        );
        let mut bytes = whole.into_bytes();
        bytes.extend(b"\n---\x00ab");
        let parts = split_parts(&bytes).unwrap();
        assert_eq!(parts.data, b"\n---\x00ab");
        assert_eq!(parts.storage, Some(Storage::Binary));
        assert_eq!(Config::parse(&parts.config).unwrap().digital, 1);
        assert!(split_parts(&bytes[..bytes.len() - 1]).is_err());
        assert!(split_parts(b"--- file type: CFG ---\n").is_err());
    }
}
