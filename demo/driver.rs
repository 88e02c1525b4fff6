//! Drives the season: an hour of weather, its messages, the clock, the letters, the grower's work.

use std::path::Path;
use std::sync::mpsc::Receiver;
use std::thread::JoinHandle;
use std::time::Duration;

use rindwatch::local::{self, Answer, Request, Status, When};
use rindwatch::record::{DayRecord, MatterKey};
use rindwatch::run::{self, Plan, RunError};
use rindwatch::settings;
use rindwatch::store::Store;

use crate::grower::Grower;
use crate::letter::Letter;
use crate::season_maker::{BEDS, Chance, DAYS, Season};
use crate::{Args, Trouble, broker, mail_sink};

/// 1 May 2027, midnight UTC.
const START_MS: i64 = 1_809_129_600_000;
/// Longest the daemon may take for one step.
const PATIENCE: Duration = Duration::from_secs(20);
/// A bed is dry when more than this share of the held water is gone at midnight.
const DRY: f64 = 0.35;
/// Nothing lived yet: lowest air, highest air, rain.
const UNLIVED: (f64, f64, f64) = (f64::INFINITY, f64::NEG_INFINITY, 0.0);

/// Lives through one season and tells about it.
pub fn live(args: &Args) -> Result<(), Trouble> {
    let data = tempfile::Builder::new().prefix("rindwatch-demo-").tempdir()?;
    let mqtt_port = broker::free_port()?;
    let page_port = broker::free_port()?;
    let (mail_port, letters) = mail_sink::start()?;
    broker::start(mqtt_port)?;
    let radio = broker::Radio::connect(mqtt_port)?;
    let daemon = start_daemon(data.path(), mqtt_port, mail_port, page_port)?;

    println!("A made season of {DAYS} days, seed {}: {:016x}", args.seed, print_of(args.seed));
    let mut patch = Patch {
        data: data.path(),
        radio,
        letters,
        published: 0,
        season: Season::new(args.seed, START_MS),
        unwatered: Season::new(args.seed, START_MS),
        grower: Grower::new(Chance::new(args.seed ^ 0x9E0)),
        dry: [[0; 2]; 2],
        told: 0,
        lived: UNLIVED,
    };
    patch.await_daemon()?;
    for hour in 0..DAYS * 24 {
        patch.hour(hour)?;
        if args.speed > 0 {
            std::thread::sleep(Duration::from_secs(1) / args.speed);
        }
    }
    patch.summary()?;
    println!("page: http://127.0.0.1:{page_port}/");
    if !args.no_wait {
        println!("(ends with Ctrl-C)");
        daemon.join().map_err(|_| "the daemon fell over")??;
    }
    Ok(())
}

/// The real daemon on a thread of its own, by a clock that we move.
fn start_daemon(
    data: &Path,
    mqtt_port: u16,
    mail_port: u16,
    page_port: u16,
) -> Result<JoinHandle<Result<(), RunError>>, Trouble> {
    let text = include_str!("garden.toml")
        .replace("MQTT_PORT", &mqtt_port.to_string())
        .replace("MAIL_PORT", &mail_port.to_string())
        .replace("PAGE_PORT", &page_port.to_string());
    let garden = settings::read_str("garden.toml", &text).map_err(|complaints| complaints.to_string())?;
    let plan = Plan { garden, data: data.to_owned(), scripted_from_ms: Some(START_MS) };
    Ok(std::thread::Builder::new().name("daemon".to_owned()).spawn(move || run::run(plan))?)
}

/// A mark of the season alone, before anybody watered: the same for the same seed, as long as the season
/// maker is the same.
fn print_of(seed: u64) -> u64 {
    let mut season = Season::new(seed, START_MS);
    let mut print = 0xcbf2_9ce4_8422_2325_u64; // FNV-1a
    for _ in 0..DAYS * 24 {
        for byte in season.step().1.iter().flat_map(|message| message.payload.bytes()) {
            print = (print ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
        }
    }
    print
}

struct Patch<'a> {
    data: &'a Path,
    radio: broker::Radio,
    letters: Receiver<String>,
    published: u64,
    season: Season,
    /// The same season with nobody to read letters.
    unwatered: Season,
    grower: Grower,
    /// Dry days of each bed: with the letters, and without.
    dry: [[u32; 2]; 2],
    told: u32,
    /// Since the last line of progress: lowest and highest air, °C, and rain, mm.
    lived: (f64, f64, f64),
}

impl Patch<'_> {
    fn ask(&self, request: &Request) -> Result<Answer, Trouble> {
        match local::ask(self.data, request, PATIENCE)? {
            Answer::Refused { words } => Err(format!("the daemon refused {request:?}: {words}").into()),
            answer => Ok(answer),
        }
    }

    fn status(&self) -> Result<Status, Trouble> {
        match self.ask(&Request::Status)? {
            Answer::Status(status) => Ok(*status),
            answer => Err(format!("unexpected answer: {answer:?}").into()),
        }
    }

    /// Waits until the daemon hears the broker.
    fn await_daemon(&self) -> Result<(), Trouble> {
        for _ in 0..200 {
            std::thread::sleep(Duration::from_millis(50));
            if self.status().is_ok_and(|status| status.broker.is_none()) {
                // Connected; its subscriptions are through a moment later.
                std::thread::sleep(Duration::from_millis(200));
                return Ok(());
            }
        }
        Err("the daemon did not reach the demo's broker".into())
    }

    /// One hour: the clock, the messages, what came of them, what the grower does about it.
    fn hour(&mut self, hour: u32) -> Result<(), Trouble> {
        let (now_ms, messages) = self.season.step();
        self.unwatered.step();
        let (low_c, high_c, rain_mm) = self.lived;
        let air_c = self.season.air_c();
        self.lived = (low_c.min(air_c), high_c.max(air_c), rain_mm + self.season.rain_mm());
        self.ask(&Request::Clock { ms: now_ms })?;
        for message in messages {
            self.radio.send(message)?;
            self.published += 1;
        }
        self.ask(&Request::Settle { messages: self.published })?;
        while let Ok(raw) = self.letters.try_recv() {
            let letter = Letter::open(&raw);
            self.show(&letter);
            self.grower.read(&letter, now_ms);
        }
        for words in self.grower.work(now_ms, &mut self.season) {
            self.ask(&Request::Jot { words, when: When::Now, key: None, sure: true })?;
        }
        if (hour + 1).is_multiple_of(24) {
            self.midnight((hour + 1) / 24)?;
        }
        Ok(())
    }

    fn show(&mut self, letter: &Letter) {
        self.told += 1;
        println!("\n  {}  to {}", letter.date, letter.to);
        println!("  {}", letter.subject);
        // The first letter whole, of the others the lines that say what to do.
        let first = self.told == 1;
        for line in letter.text.trim_end().lines().take_while(|line| first || !line.trim().is_empty()) {
            println!("    {line}");
        }
    }

    fn midnight(&mut self, day: u32) -> Result<(), Trouble> {
        for (dry, season) in self.dry.iter_mut().zip([&self.season, &self.unwatered]) {
            for (bed, days) in dry.iter_mut().enumerate() {
                *days += u32::from(season.share_used(bed).is_some_and(|used| used > DRY));
            }
        }
        if day.is_multiple_of(10) {
            self.progress(day)?;
        }
        Ok(())
    }

    fn progress(&mut self, day: u32) -> Result<(), Trouble> {
        let (low_c, high_c, rain_mm) = std::mem::replace(&mut self.lived, UNLIVED);
        let status = self.status()?;
        let date = date_of(status.at_ms - 1).format("%-d %B");
        print!("\nday {day} of {DAYS}, {date}: air {low_c:.0} to {high_c:.0} °C, rain {rain_mm:.0} mm");
        for bed in &status.survey.beds {
            let used = bed.share_used.map_or("not known yet".into(), |used| format!("{:.0} %", used * 100.0));
            print!(", share used {} {used}", bed.name);
        }
        println!(", {} letters", self.told);
        Ok(())
    }

    fn summary(&self) -> Result<(), Trouble> {
        let store = Store::open_to_read(self.data)?;
        let letters = store.recent_letters(u32::MAX)?;
        let count = |key: MatterKey| letters.iter().filter(|letter| letter.matters.contains(&key)).count();
        println!();
        println!(
            "letters water={} hold-water={} shade={} cover={} gear={}",
            count(MatterKey::Water),
            count(MatterKey::HoldWater),
            count(MatterKey::Shade),
            count(MatterKey::Cover),
            count(MatterKey::Gear)
        );
        let [with, without] = self.dry;
        println!(
            "days dry: {} {}, {} {} of {DAYS}; with nobody watering {} and {} (dry: over {:.0} % of the held water gone at midnight)",
            BEDS[0],
            with[0],
            BEDS[1],
            with[1],
            without[0],
            without[1],
            DRY * 100.0
        );
        let days = store.bed_days(Some(BEDS[0]), date_of(START_MS), date_of(self.season.at_ms()))?;
        let sum =
            |of: fn(&DayRecord) -> Option<f64>| days.iter().filter_map(of).fold(0.0, |sum, one| sum + one);
        let (air, soil) = (sum(|day| day.gdd_air_c), sum(|day| day.gdd_soil_c));
        println!("degree-days: air {air:.0} °C, soil {soil:.0} °C, over {} closed days", days.len());
        println!("water carried: {:.0} L", self.grower.carried_l);
        Ok(())
    }
}

fn date_of(ms: i64) -> chrono::NaiveDate {
    chrono::DateTime::from_timestamp_millis(ms).unwrap_or_default().date_naive()
}
