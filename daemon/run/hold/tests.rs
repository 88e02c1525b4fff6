//! The core on a clock of three hands: boots at a wrong hour, is set, jumps, or learns the time from nodes.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use super::super::core::{Core, Inward};
use super::super::stepped::Stepped;
use crate::broker::{Message, Said};
use crate::clock::Hands;
use crate::local::When;
use crate::record::{ClockWord, Doubt, MatterKey, Millis, TimeSource};
use crate::settings;
use crate::store::{Batch, BookLine, FILE_NAME, Kept, Store};

/// 2027-07-01 06:00 UTC.
const TRUE_MS: Millis = 1_814_421_600_000;
const MINUTE_MS: Millis = 60_000;
const HOUR: Millis = 60 * MINUTE_MS;
const DAY: Millis = 24 * HOUR;

const SETTINGS: &str = r#"
[garden]
name = "hill"
latitude = 44.5
longitude = -93.2
altitude = "290 m"
time-zone = "America/Chicago"
[people.grower]
address = "grower@example.org"
[bed.long]
rooted = "7 m2"
soil = "loam"
crop = "giant-pumpkin"
planted = 2027-05-20
[probe.bare]
measures = "soil-temperature"
depth = "5 cm"
topic = "bare"
unit = "C"
[probe.one]
measures = "soil-temperature"
depth = "10 cm"
topic = "node/1"
last-will = "node/1/state"
unit = "C"
value = "/v"
time = "epoch-ms"
time-at = "/t"
[probe.two]
measures = "soil-temperature"
depth = "20 cm"
topic = "node/2"
unit = "C"
value = "/v"
time = "epoch-ms"
time-at = "/t"
[probe.damp]
measures = "soil-moisture"
depth = "20 cm"
topic = "node/damp"
unit = "m3/m3"
value = "/v"
time = "epoch-ms"
time-at = "/t"
"#;

/// A core with its clock and its store.
struct Bench {
    core: Option<Stepped>,
    hands: Arc<Hands>,
    /// What a right clock would say at boot.
    true_at_boot_ms: Millis,
    folder: tempfile::TempDir,
}

impl Bench {
    /// Boots at `TRUE_MS` with a system clock that is off by so much, and nothing that speaks for it.
    fn boots_off_by(ms: Millis) -> Self {
        let hands = Arc::new(Hands::default());
        hands.set_wall(TRUE_MS + ms);
        let folder = tempfile::tempdir().unwrap();
        let mut bench = Self { core: None, hands, true_at_boot_ms: TRUE_MS, folder };
        bench.start();
        bench
    }

    /// Starts the program, ending one that runs as a kill would.
    fn start(&mut self) {
        self.core = None;
        let garden = Arc::new(settings::read_str("garden.toml", SETTINGS).unwrap());
        self.core = Some(Stepped::open(self.folder.path(), garden, &self.hands).unwrap());
    }

    /// The machine boots anew at this true time, its clock off by so much.
    fn boot_again(&mut self, true_ms: Millis, off_ms: Millis) {
        self.hands.boot.fetch_add(1, Ordering::SeqCst);
        self.hands.mono_ms.store(0, Ordering::SeqCst);
        self.hands.set_wall(true_ms + off_ms);
        self.hands.say(None);
        self.true_at_boot_ms = true_ms;
        self.start();
    }

    fn core(&mut self) -> &mut Core {
        &mut self.core.as_mut().unwrap().core
    }

    /// Nothing was handed to the post.
    fn nothing_told(&mut self) -> bool {
        self.core.as_mut().unwrap().letters().is_empty()
    }

    fn true_ms(&self) -> Millis {
        self.true_at_boot_ms + self.hands.mono_ms.load(Ordering::SeqCst)
    }

    /// One message that arrives now.
    fn hear(&mut self, topic: &str, payload: &str) {
        let arrived_ms = self.core().clock.wall_ms();
        let message = Message::new(topic, payload.as_bytes(), arrived_ms, None);
        self.core().hear(Inward::Broker(Said::Messages(vec![message])));
        self.core().take_backlog();
    }

    /// A node with a clock off by so much.
    fn stamp(&mut self, topic: &str, off_ms: Millis) {
        let value = if topic == "node/damp" { 0.25 } else { 18.0 };
        let at_ms = self.true_ms() + off_ms;
        self.hear(topic, &format!(r#"{{"t": {at_ms}, "v": {value}}}"#));
    }

    /// Minutes go by; in each the shell turns and commits once.
    fn minutes(&mut self, n: u32, mut each: impl FnMut(&mut Self, u32)) {
        for minute in 0..n {
            self.hands.pass(MINUTE_MS);
            each(self, minute);
            self.core().look_at_clock();
            self.core().judge(crate::engine::Event::Turn);
            self.core().commit();
        }
    }

    /// The time service sets the clock right and says so.
    fn is_set(&mut self) {
        let true_ms = self.true_ms();
        self.hands.set_wall(true_ms);
        self.hands.say(Some(ClockWord { source: TimeSource::Timesyncd, made_ms: Some(true_ms) }));
        self.core().look_at_clock();
    }

    fn kept(&mut self, probe: &str) -> Vec<Kept> {
        self.core().commit();
        let core = self.core();
        let reader = core.store.reader();
        let probe = core.garden.probes.iter().find(|known| known.name == probe).unwrap();
        let series = reader.series_of(probe).unwrap().unwrap();
        reader.raw(&series, i64::MIN, i64::MAX, u32::MAX).unwrap()
    }

    fn days_closed(&mut self) -> usize {
        let from = chrono::NaiveDate::from_ymd_opt(2000, 1, 1).unwrap();
        let to = chrono::NaiveDate::from_ymd_opt(2099, 1, 1).unwrap();
        self.core().store.reader().bed_days(None, from, to).unwrap().len()
    }

    fn source(&mut self) -> Option<TimeSource> {
        let core = self.core();
        core.trust.source().filter(|_| core.trusted)
    }
}

/// Each at its true minute after the boot, and believed.
fn at_true_minutes(kept: &[Kept], from_ms: Millis) {
    for (minute, kept) in (1..).zip(kept) {
        assert_eq!((kept.at_ms, kept.doubt), (from_ms + minute * MINUTE_MS, None), "{kept:?}");
    }
}

#[test]
fn a_clock_that_boots_in_the_past_and_is_set_after_ten_minutes_costs_nothing() {
    let mut bench = Bench::boots_off_by(-3 * DAY);
    bench.minutes(10, |bench, minute| {
        bench.hear("bare", &format!("{}", 18 + minute % 2));
        bench.stamp("node/1", 0);
        if minute == 4 {
            assert!(
                bench
                    .core()
                    .enter("watered long 60 L", When::Now, None, true)
                    .unwrap()
                    .contains("not known yet")
            );
        }
    });
    assert!(!bench.core().trusted);
    assert_eq!(bench.core().store.reader().timeless_count().unwrap(), 21, "kept before it is known");
    assert_eq!(bench.days_closed(), 0);
    bench.is_set();
    bench.core().commit();
    assert_eq!(bench.source(), Some(TimeSource::Timesyncd));
    let bare = bench.kept("bare");
    assert_eq!(bare.len(), 10);
    at_true_minutes(&bare, TRUE_MS);
    assert_eq!(bench.kept("one").len(), 10);
    at_true_minutes(&bench.kept("one"), TRUE_MS);
    let reader = bench.core().store.reader();
    assert_eq!(reader.timeless_count().unwrap(), 0);
    let book = reader.book(i64::MIN, i64::MAX).unwrap();
    assert_eq!(book.len(), 1);
    assert_eq!((book[0].happened_ms, book[0].clock_unsure), (TRUE_MS + 5 * MINUTE_MS, false));
    assert_eq!(bench.days_closed(), 0, "no day has passed");
    assert!(bench.nothing_told(), "and nothing was told");
}

/// Story: the broker's word that a node is gone came before the time was known, was acknowledged, and forgotten.
#[test]
fn who_is_gone_while_the_time_is_not_known_is_gone_when_it_is() {
    let gone = |bench: &mut Bench, name: &str| {
        let now_ms = bench.core().now().ms;
        let probes = bench.core().engine.survey(now_ms).probes;
        probes.iter().any(|probe| probe.name == name && probe.trust == crate::engine::Trust::Missing)
    };
    for (comes_back, still) in [(false, true), (true, false)] {
        let mut bench = Bench::boots_off_by(-3 * DAY);
        bench.minutes(2, |bench, _| bench.stamp("node/1", 0));
        bench.hear("node/1/state", "offline");
        bench.minutes(1, |bench, _| {
            if comes_back {
                bench.stamp("node/1", 0);
            }
        });
        bench.is_set();
        bench.core().commit();
        assert_eq!(gone(&mut bench, "one"), still);
    }
}

#[test]
fn what_was_held_survives_a_kill_within_the_same_boot() {
    let mut bench = Bench::boots_off_by(-200 * DAY);
    bench.minutes(3, |bench, _| bench.hear("bare", "18"));
    bench.start();
    bench.minutes(2, |bench, _| bench.hear("bare", "18.5"));
    bench.is_set();
    let kept = bench.kept("bare");
    assert_eq!(kept.len(), 5);
    at_true_minutes(&kept, TRUE_MS);
    // The engine knows them: after another kill they are there, once.
    bench.start();
    assert_eq!(bench.kept("bare").len(), 5);
}

/// A line was entered while no daemon ran, then the board booted without the time, and the program was killed between
/// the handing in of what waited and the telling of that line: the state saved meanwhile counted it as known, and the
/// engine never heard of the water.
#[test]
fn a_line_entered_while_nobody_ran_is_told_before_any_state_that_counts_it() {
    let mut bench = Bench::boots_off_by(-3 * DAY);
    bench.core = None;
    let words = "watered long 60 L".to_owned();
    let line =
        BookLine { happened_ms: TRUE_MS - HOUR, entered_ms: TRUE_MS - HOUR, words, ..BookLine::default() };
    let mut store = Store::open(bench.folder.path()).unwrap();
    store.commit(&Batch { now_ms: TRUE_MS - HOUR, entries: vec![line], ..Batch::default() }).unwrap();
    drop(store);
    bench.start();
    bench.minutes(3, |bench, _| bench.hear("bare", "18"));
    bench.is_set();
    // Killed here. Whatever state was saved by then knows the line, or leaves it to be told.
    bench.start();
    bench.is_set();
    bench.minutes(1, |bench, _| bench.hear("bare", "18"));
    let now_ms = bench.true_ms();
    let given = bench.core().engine.survey(now_ms).waterings;
    assert_eq!(given.iter().filter(|one| one.logged).count(), 1, "{given:?}");
}

/// A store was found damaged at a start that did not know the time: the log said it, status and page never did.
#[test]
fn a_store_begun_anew_is_said_once_the_time_is_known() {
    let mut bench = Bench::boots_off_by(-3 * DAY);
    bench.core = None;
    std::fs::write(bench.folder.path().join(FILE_NAME), b"no database").unwrap();
    bench.start();
    bench.minutes(2, |bench, _| bench.hear("bare", "18"));
    bench.is_set();
    let now_ms = bench.true_ms();
    let matters = bench.core().engine.survey(now_ms).matters;
    assert!(
        matters.iter().any(|one| one.matter == MatterKey::Box && one.why.contains("damaged")),
        "{matters:?}"
    );
}

#[test]
fn a_boot_that_never_knew_the_time_leaves_marked_rows_and_good_own_times() {
    let mut bench = Bench::boots_off_by(-2 * DAY);
    bench.minutes(5, |bench, _| {
        bench.hear("bare", "18");
        bench.stamp("node/1", 0);
    });
    bench.core().enter("watered long 60 L", When::Now, None, true).unwrap();
    bench.core().commit();
    bench.boot_again(TRUE_MS + HOUR, -DAY);
    bench.minutes(2, |bench, _| bench.hear("bare", "19"));
    bench.is_set();
    let bare = bench.kept("bare");
    let (unsure, good): (Vec<Kept>, Vec<Kept>) =
        bare.iter().partition(|kept| kept.doubt == Some(Doubt::ClockUnsure));
    assert_eq!((unsure.len(), good.len()), (5, 2));
    at_true_minutes(&good, TRUE_MS + HOUR);
    let one = bench.kept("one");
    assert_eq!(one.len(), 5);
    at_true_minutes(&one, TRUE_MS);
    let book = bench.core().store.reader().book(i64::MIN, i64::MAX).unwrap();
    assert!(book.len() == 1 && book[0].clock_unsure, "{book:?}");
}

#[test]
fn a_clock_that_boots_in_the_future_leaves_nothing_there() {
    let mut bench = Bench::boots_off_by(3000 * DAY);
    bench.minutes(10, |bench, _| bench.hear("bare", "18"));
    assert!(!bench.core().trusted, "a late clock proves nothing");
    bench.is_set();
    bench.minutes(10, |bench, _| bench.hear("bare", "18.5"));
    let kept = bench.kept("bare");
    assert_eq!(kept.len(), 20);
    at_true_minutes(&kept, TRUE_MS);
    assert!(bench.core().saved_hour <= bench.true_ms() / HOUR, "hours go on being sealed");
}

#[test]
fn a_jump_that_nothing_explains_holds_all_until_something_does() {
    let mut bench = Bench::boots_off_by(0);
    bench.is_set();
    bench.minutes(5, |bench, _| bench.hear("bare", "18"));
    // Somebody sets the clock back by two hours; the old word no longer counts.
    bench.hands.set_wall(bench.true_ms() - 2 * HOUR);
    bench.minutes(5, |bench, _| bench.hear("bare", "18.5"));
    assert_eq!(bench.source(), None);
    assert_eq!(bench.core().store.reader().timeless_count().unwrap(), 5);
    bench.is_set();
    bench.minutes(5, |bench, _| bench.hear("bare", "19"));
    let kept = bench.kept("bare");
    assert_eq!(kept.len(), 15);
    at_true_minutes(&kept, TRUE_MS);
}

#[test]
fn a_step_that_the_time_service_made_is_followed_forward_and_back() {
    for off_ms in [-2 * HOUR, 2 * HOUR, 5 * DAY] {
        // Whoever keeps it was wrong by so much, said it was right, and then puts it right.
        let mut bench = Bench::boots_off_by(off_ms);
        bench.hands.say(Some(ClockWord { source: TimeSource::Timesyncd, made_ms: Some(TRUE_MS + off_ms) }));
        bench.core().look_at_clock();
        bench.minutes(5, |bench, _| bench.hear("bare", "18"));
        assert_eq!(bench.source(), Some(TimeSource::Timesyncd));
        bench.is_set();
        assert_eq!(bench.source(), Some(TimeSource::Timesyncd), "off by {off_ms}");
        bench.minutes(5, |bench, _| bench.hear("bare", "18.5"));
        let kept = bench.kept("bare");
        let right: Vec<Kept> = kept.into_iter().filter(|kept| kept.value == 18.5).collect();
        assert_eq!(right.len(), 5);
        at_true_minutes(&right, TRUE_MS + 5 * MINUTE_MS);
        assert!(bench.nothing_told());
    }
}

#[test]
fn two_nodes_that_agree_give_the_time() {
    let mut bench = Bench::boots_off_by(-400 * DAY);
    bench.minutes(10, |bench, _| {
        bench.hear("bare", "18");
        bench.stamp("node/1", -20_000);
        bench.stamp("node/2", 0);
    });
    assert_eq!(bench.source(), Some(TimeSource::Nodes));
    let our_ms = bench.core().clock.wall_ms();
    assert_eq!(our_ms, bench.true_ms(), "the later of the two");
    let bare = bench.kept("bare");
    assert_eq!(bare.len(), 10);
    at_true_minutes(&bare, TRUE_MS);
    // The system clock may do as it likes now; once it is set, it is gone by again.
    bench.hands.set_wall(0);
    bench.minutes(2, |bench, _| bench.hear("bare", "19"));
    at_true_minutes(&bench.kept("bare"), TRUE_MS);
    bench.is_set();
    assert_eq!(bench.source(), Some(TimeSource::Timesyncd));
    bench.minutes(2, |bench, _| bench.hear("bare", "19.5"));
    assert_eq!(bench.kept("bare").len(), 14);
    at_true_minutes(&bench.kept("bare"), TRUE_MS);
}

/// Twenty minutes of these nodes leave the time unknown.
fn do_not_give_the_time(why: &str, mut each: impl FnMut(&mut Bench, u32)) {
    let mut bench = Bench::boots_off_by(-400 * DAY);
    bench.minutes(20, |bench, minute| {
        bench.hear("bare", "18");
        each(bench, minute);
    });
    assert_eq!(bench.source(), None, "{why}");
    assert!(bench.days_closed() == 0 && bench.nothing_told(), "{why}");
}

#[test]
fn nodes_that_prove_nothing_give_no_time() {
    do_not_give_the_time("one node alone", |bench, _| bench.stamp("node/1", 0));
    do_not_give_the_time("they disagree by two minutes", |bench, _| {
        bench.stamp("node/1", 0);
        bench.stamp("node/2", -2 * MINUTE_MS);
    });
    do_not_give_the_time("one stands still", |bench, minute| {
        bench.stamp("node/1", 0);
        bench.stamp("node/2", -Millis::from(minute) * MINUTE_MS);
    });
    do_not_give_the_time("both drain what they had kept, ten minutes of it each minute", |bench, minute| {
        for topic in ["node/1", "node/2"] {
            bench.stamp(topic, -DAY + Millis::from(minute) * 10 * MINUTE_MS);
        }
    });
    do_not_give_the_time("two topics of one node", |bench, _| {
        bench.stamp("node/1", 0);
        bench.stamp("node/damp", 0);
    });
    do_not_give_the_time("clocks that were never set", |bench, _| {
        for topic in ["node/1", "node/2"] {
            bench.stamp(topic, 1_600_000_000_000 - TRUE_MS);
        }
    });
}
