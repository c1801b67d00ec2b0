//! `wattless node --live`: the readings of a node in place, until it is ended.

use super::{Outcome, print, source};
use crossterm::cursor::MoveToPreviousLine;
use crossterm::terminal::{Clear, ClearType};
use crossterm::{Command, terminal};
use signal_hook::consts::{SIGINT, SIGTERM};
use std::io::IsTerminal;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use wattless::collect::address::Address;
use wattless::collect::link::{AnyClient, LinkError, Patience};
use wattless::collect::store::NodeId;
use wattless::present::live::LiveView;
use wattless::present::text::Style;
use wattless::watch::running::RunningDemand;
use wattless_core::record::Record;
use wattless_core::wire::{PAGES_PER_REPLY, Refusal, Status};

/// Time between two looks at clock and log.
const STATUS_EVERY: Duration = Duration::from_secs(10);

/// Time between two tries of a link that is lost.
const TRY_EVERY: Duration = Duration::from_secs(2);

/// Most records that are read to know the running interval.
const RECORDS: u32 = 200;

/// How the readings are shown.
pub struct Show<'a> {
    /// Seconds between two readings.
    pub every_s: f64,
    /// Ends after so many, if given.
    pub readings: Option<u64>,
    /// Site file with the demand interval.
    pub site: Option<&'a Path>,
    /// One JSON object a line.
    pub json: bool,
}

/// Shows readings until a signal ends it, or the wanted number is reached.
pub fn run(address: &Address, show: &Show<'_>) -> anyhow::Result<Outcome> {
    let site = source::site(show.site)?;
    let zone = match show.site {
        Some(_) => site.time_zone.clone(),
        None => jiff::tz::TimeZone::system(),
    };
    let over = Arc::new(AtomicBool::new(false));
    for signal in [SIGINT, SIGTERM] {
        // A second one ends at once, also while a question waits for its answer.
        signal_hook::flag::register_conditional_shutdown(signal, 0, over.clone())?;
        signal_hook::flag::register(signal, over.clone())?;
    }
    // A wrong address is said at once; only a link that was there is waited for.
    let patience = || Patience { tries: 2, ..Patience::default() };
    let mut link = Some(AnyClient::open(address, patience())?);
    let mut follow = Follow {
        view: LiveView { address: address.to_string(), ..LiveView::default() },
        running: RunningDemand::new(&site),
        next_seq: None,
        next_status: Instant::now(),
    };
    let mut screen = Screen::new(show.json);
    let mut shown = 0;
    let mut next = Instant::now();
    while !over.load(Ordering::Relaxed) {
        if link.is_none() {
            link = AnyClient::open(address, patience()).ok();
            follow.next_status = Instant::now();
        }
        if let Some(client) = &mut link
            && let Err(e) = follow.turn(client)
        {
            follow.lost(&e);
            link = None;
        }
        follow.view.at_ms = jiff::Timestamp::now().as_millisecond();
        if over.load(Ordering::Relaxed) {
            break;
        }
        if show.json {
            print(&format!("{}\n", follow.view.json()))?;
        } else {
            let width = screen.columns();
            screen.show(&follow.view.lines_within(width, &zone, Style::for_stdout()))?;
        }
        shown += 1;
        if show.readings.is_some_and(|most| shown >= most) {
            break;
        }
        let every = Duration::from_secs_f64(show.every_s);
        next =
            (next + if link.is_some() { every } else { every.max(TRY_EVERY) }).max(Instant::now());
        while Instant::now() < next && !over.load(Ordering::Relaxed) {
            let left = next.saturating_duration_since(Instant::now());
            std::thread::sleep(left.min(Duration::from_millis(50)));
        }
    }
    Ok(Outcome::Done)
}

/// What is asked of the node, and what is known so far.
struct Follow {
    view: LiveView,
    running: RunningDemand,
    /// The record that is read next; none before the first look at the log.
    next_seq: Option<u32>,
    next_status: Instant,
}

impl Follow {
    fn turn(&mut self, client: &mut AnyClient) -> Result<(), LinkError> {
        if Instant::now() >= self.next_status {
            self.next_status = Instant::now() + STATUS_EVERY;
            let id = NodeId(client.identity().node_id).to_string();
            if id != self.view.node_id {
                // The first time, or another node at the same address: nothing is mixed.
                self.next_seq = None;
                self.view.record = None;
                self.running.forget();
                self.view.node_id = id;
                self.view.feeder = client.settings()?.feeder.as_str().to_owned();
            }
            let (status, clock) = client.status_and_clock()?;
            self.view.clock_offset_ms = clock.offset_ms;
            self.running.set_time(&status, &clock);
            self.records(client, &status, clock.started_ms)?;
        }
        match client.live() {
            Ok(live) => {
                self.running.take_live(&live);
                self.view.live = Some(live);
            }
            Err(e) if e.refusal() == Some(Refusal::NotReady) => self.view.live = None,
            Err(e) => return Err(e),
        }
        self.view.running = self.running.now();
        self.view.lost = None;
        Ok(())
    }

    /// Records that are new, back to the beginning of a long demand interval at first.
    fn records(
        &mut self,
        client: &mut AnyClient,
        status: &Status,
        started_ms: i64,
    ) -> Result<(), LinkError> {
        let (oldest, end) = (status.log.oldest, status.log.next);
        let known = self.next_seq.filter(|seq| (oldest..=end).contains(seq));
        let mut seq = known.unwrap_or(end.saturating_sub(RECORDS)).max(oldest);
        while seq < end {
            let slice = match client.read_log(seq, PAGES_PER_REPLY as u16) {
                Ok(slice) => slice,
                // The ring went on meanwhile.
                Err(e) if e.refusal().is_some() => break,
                Err(e) => return Err(e),
            };
            for page in slice.pages.as_chunks().0 {
                let Ok(record) = Record::decode(page) else { continue };
                if let Some(end_ms) = end_ms(&record, status, started_ms) {
                    self.running.take_record(&record, end_ms);
                }
                self.view.record = Some(record);
            }
            seq += u32::from(slice.covered.max(1));
        }
        self.next_seq = Some(end);
        Ok(())
    }

    fn lost(&mut self, e: &LinkError) {
        let now_ms = jiff::Timestamp::now().as_millisecond();
        let since_ms = self.view.lost.as_ref().map_or(now_ms, |l| l.0);
        self.view.lost = Some((since_ms, e.to_string()));
        self.view.live = None;
    }
}

/// End of a record: its own wall time, or its place in the present start.
fn end_ms(record: &Record, status: &Status, started_ms: i64) -> Option<i64> {
    if record.wall_ms > 0 {
        return i64::try_from(record.wall_ms).ok();
    }
    let uptime_ms = i64::try_from(record.uptime_ms).ok()?;
    (record.boot == status.boot).then_some(started_ms.saturating_add(uptime_ms))
}

/// Shows blocks of lines: each in the place of the one before on a terminal, one after the other
/// elsewhere.
struct Screen {
    in_place: bool,
    drawn: u16,
}

impl Screen {
    fn new(json: bool) -> Screen {
        let dumb = std::env::var_os("TERM").is_some_and(|t| t == "dumb");
        Screen { in_place: std::io::stdout().is_terminal() && !json && !dumb, drawn: 0 }
    }

    /// Columns of the terminal; 80 elsewhere.
    fn columns(&self) -> usize {
        let size = if self.in_place { terminal::size().ok() } else { None };
        size.map_or(80, |(columns, _)| usize::from(columns))
    }

    fn show(&mut self, lines: &[String]) -> anyhow::Result<()> {
        if !self.in_place {
            return print(&(lines.join("\n") + "\n\n"));
        }
        let (columns, rows) = terminal::size().unwrap_or((80, 24));
        let mut out = String::new();
        let mut command = |c: &dyn Fn(&mut String) -> std::fmt::Result| c(&mut out);
        if self.drawn > 0 {
            command(&|o| MoveToPreviousLine(self.drawn).write_ansi(o))?;
        }
        // What does not fit would scroll, and the next block would stand below this one.
        let shown = lines.len().min(usize::from(rows).saturating_sub(1).max(1));
        for line in lines.iter().take(shown) {
            command(&|o| {
                o.push_str(&fitted(line, usize::from(columns)));
                Clear(ClearType::UntilNewLine).write_ansi(o)?;
                o.push('\n');
                Ok(())
            })?;
        }
        command(&|o| Clear(ClearType::FromCursorDown).write_ansi(o))?;
        self.drawn = u16::try_from(shown).unwrap_or(0);
        print(&out)
    }
}

/// A line cut to a width; bold, which has no width, is left out where it is cut.
fn fitted(line: &str, width: usize) -> String {
    let plain = anstream::adapter::strip_str(line).to_string();
    if plain.chars().count() <= width {
        line.to_owned()
    } else {
        plain.chars().take(width).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_cut_without_breaking_an_escape() {
        let bold = "\u{1b}[1mTotal 12 kW\u{1b}[0m";
        assert_eq!(fitted(bold, 20), bold);
        assert_eq!(fitted(bold, 5), "Total");
        assert_eq!(fitted("plain", 3), "pla");
    }
}
