//! The house rules, held against the source: who may import whom, where SQL and time may stand, what each
//! folder is called, that the map tells the truth. Every rule is also shown a small made-up breach and must
//! complain about it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

#[path = "support/source.rs"]
mod source;

use source::{File, room_of, used_paths};

/// Who may import whom: a room, then the rooms or single items it may name. `*` = all.
const MAY_IMPORT: &[(&str, &str)] = &[
    ("record", ""),
    ("rfc3339", "record"),
    ("quantities", "agronomy"),
    ("clock", "record"),
    ("board", "record"),
    ("authorities", ""),
    ("ping", "authorities settings"),
    ("settings", "agronomy quantities record"),
    ("daybook", "quantities record rfc3339 settings"),
    ("intake", "quantities record rfc3339 settings"),
    ("growth", "agronomy record"),
    ("engine", "agronomy daybook growth intake quantities record rfc3339 settings"),
    ("store", "daybook quantities record rfc3339 settings"),
    ("mail", "agronomy clock quantities record rfc3339 settings"),
    ("review", "agronomy daybook quantities record rfc3339 settings store"),
    ("broker", "authorities clock record settings"),
    ("mirror", "quantities record settings store"),
    ("notify", "record settings"),
    ("local", "daybook engine::survey record settings"),
    ("web", "daybook engine::survey local quantities record review rfc3339 settings store"),
    ("replay", "agronomy clock daybook engine intake mail quantities record rfc3339 settings"),
    ("run", "*"),
    (
        "commands",
        "clock daybook engine::survey intake local mail quantities record replay review rfc3339 run settings store",
    ),
    ("main", "commands"),
    ("lib", ""),
    ("agronomy", ""),
];

/// Plain types of the engine that stand for `engine::survey` above: what pages and `status` show.
const SURVEY: [&str; 10] = [
    "Survey",
    "BedView",
    "StageView",
    "StepView",
    "ProbeView",
    "FruitView",
    "MatterView",
    "ProposalView",
    "Trust",
    "Watering",
];

/// Crates that touch the world, each with the only rooms that may name it.
const HOMES: &[(&str, &str)] = &[
    ("rusqlite", "store"),
    ("rumqttc", "broker"),
    ("lettre", "mail"),
    ("axum", "web"),
    ("hyper", "ping"),
    ("hyper_util", "ping"),
    ("tokio_rustls", "ping"),
    ("rustls_native_certs", "authorities"),
    ("influxdb2", "mirror"),
    ("clap", "commands main"),
    ("rmpfit", "growth"),
    ("rustix", "board"),
];

/// Rooms that judge and word: no files, sockets, threads or tasks there.
const PURE: [&str; 8] =
    ["agronomy", "record", "rfc3339", "quantities", "daybook", "intake", "growth", "engine"];

/// What a pure room may not name.
const WORLD: [&str; 8] =
    ["std::fs", "std::net", "std::thread", "std::env", "std::process", "std::io", "tokio", "tracing"];

/// Ways to ask the time; `daemon/clock.rs` alone may.
const ASKS_TIME: [&str; 6] =
    ["SystemTime::now", "Instant::now", "Utc::now", "Local::now", ".elapsed()", "UNIX_EPOCH.elapsed"];

/// Beginnings of SQL statements.
const SQL: [&str; 7] =
    ["SELECT ", "INSERT INTO ", "INSERT OR ", "UPDATE OR ", "DELETE FROM ", "CREATE ", "PRAGMA "];

/// The top of the tree: what the program is made of, then what tools want there.
const TOP: &str = "Cargo.toml README.md DEVELOPERS.md LICENSE daemon config tests demo deploy \
                   Cargo.lock deny.toml .cargo .ci .clippy.toml .git .gitignore .rustfmt.toml target";

/// Names that say nothing.
const EMPTY_NAMES: &str = "utils util helpers helper manager handler service common";

/// Lines a source file may have.
const LONGEST: usize = 500;

/// Files that may be longer, each with its reason.
const LONG: &[(&str, &str)] = &[];

fn imports(file: &File) -> Vec<String> {
    let room = room_of(&file.path);
    let Some((_, may)) = MAY_IMPORT.iter().find(|(name, _)| *name == room) else {
        return vec![format!("{}: room `{room}` is not in the import table of tests/tidy.rs", file.path)];
    };
    let may: Vec<&str> = may.split(' ').collect();
    let mut complaints = Vec::new();
    for used in used_paths(file) {
        let mut parts = used.split("::");
        let target = parts.next().unwrap_or_default();
        let item = parts.next().unwrap_or_default();
        let known = MAY_IMPORT.iter().any(|(name, _)| *name == target);
        let allowed = target == room
            || !known
            || may == ["*"]
            || may.contains(&target)
            || (target == "engine" && may.contains(&"engine::survey") && SURVEY.contains(&item));
        if !allowed {
            complaints.push(format!("{}: `{room}` may not import `{used}`", file.path));
        }
    }
    complaints
}

fn homes(file: &File) -> Vec<String> {
    let room = room_of(&file.path);
    let mut complaints = Vec::new();
    for (name, rooms) in HOMES {
        if file.names_path(name) && !rooms.split(' ').any(|home| home == room) {
            complaints.push(format!("{}: `{name}` may stand only in: {rooms}", file.path));
        }
    }
    for world in WORLD.iter().filter(|world| PURE.contains(&room) && file.names_path(world)) {
        complaints.push(format!(
            "{}: `{room}` judges without input or output, it may not name `{world}`",
            file.path
        ));
    }
    complaints
}

fn sql(file: &File) -> Vec<String> {
    if room_of(&file.path) == "store" {
        return Vec::new();
    }
    SQL.iter()
        .filter(|start| file.strings.contains(**start))
        .map(|start| format!("{}: SQL (`{}`) may stand only in daemon/store", file.path, start.trim()))
        .collect()
}

fn time(file: &File) -> Vec<String> {
    if file.path == "daemon/clock.rs" {
        return Vec::new();
    }
    ASKS_TIME
        .iter()
        .filter(|way| file.code.contains(**way))
        .map(|way| format!("{}: asks the time (`{way}`); only daemon/clock.rs may", file.path))
        .collect()
}

fn length(file: &File, long: &[(&str, &str)]) -> Vec<String> {
    let lines = file.text.lines().count();
    let listed = long.iter().any(|(path, _)| *path == file.path);
    match (lines > LONGEST, listed) {
        (true, false) => vec![format!("{}: {lines} lines, at most {LONGEST}; split it", file.path)],
        (false, true) => {
            vec![format!("{}: {lines} lines, no longer needs its place among the long files", file.path)]
        }
        _ => Vec::new(),
    }
}

fn names(file: &File) -> Vec<String> {
    Path::new(&file.path)
        .components()
        .filter_map(|part| part.as_os_str().to_str())
        .filter(|part| EMPTY_NAMES.split(' ').any(|name| name == part.trim_end_matches(".rs")))
        .map(|part| format!("{}: `{part}` says nothing; name what it does", file.path))
        .collect()
}

fn left_overs(file: &File) -> Vec<String> {
    ["#[ignore", "dbg!(", "todo!(", "unimplemented!("]
        .iter()
        .filter(|word| file.code.contains(**word))
        .map(|word| format!("{}: left over: `{word}`", file.path))
        .collect()
}

fn machine_paths(path: &str, text: &str) -> Vec<String> {
    // Put together here so that this file does not hold them itself.
    let owners = ["work", "farm", "root", "Users", "mnt/c"].map(|owner| format!("/{owner}/"));
    let homes = ["home"].map(|owner| format!("/{owner}/"));
    text.lines()
        .enumerate()
        .filter(|(_, line)| {
            let starts_path = |at: usize| {
                line[..at]
                    .chars()
                    .next_back()
                    .is_none_or(|before| !(before.is_alphanumeric() || "./-_}$".contains(before)))
            };
            owners
                .iter()
                .chain(&homes)
                .any(|owner| line.match_indices(owner.as_str()).any(|(at, _)| starts_path(at)))
        })
        .map(|(at, _)| format!("{path}:{}: names a path of one machine", at + 1))
        .collect()
}

/// Every table of a profile that holds a figure must name its source, itself or through the table around it.
fn unsourced(path: &str, text: &str) -> Vec<String> {
    fn walk(at: &str, table: &toml::Table, sourced: bool, complaints: &mut Vec<String>) {
        let sourced = sourced
            || table
                .get("source")
                .and_then(|source| source.as_str())
                .is_some_and(|words| words.trim().len() > 5);
        for (key, value) in table {
            let figure = match value {
                toml::Value::Integer(_) | toml::Value::Float(_) => true,
                toml::Value::Array(items) => items.iter().any(|item| item.is_integer() || item.is_float()),
                _ => false,
            };
            if figure && !sourced {
                complaints.push(format!("{at}.{key} has no source"));
            }
            if let Some(inner) = value.as_table() {
                walk(&format!("{at}.{key}"), inner, sourced, complaints);
            }
            for inner in value.as_array().into_iter().flatten().filter_map(|item| item.as_table()) {
                walk(&format!("{at}.{key}"), inner, sourced, complaints);
            }
        }
    }
    let mut complaints = Vec::new();
    match text.parse::<toml::Table>() {
        Ok(table) => walk(path, &table, false, &mut complaints),
        Err(error) => complaints.push(format!("{path}: {error}")),
    }
    complaints
}

/// The map of DEVELOPERS.md: rows of its section "Map" that begin with a path in backticks.
fn map_entries(developers: &str) -> BTreeSet<String> {
    developers
        .split("\n## ")
        .find(|section| section.starts_with("Map"))
        .into_iter()
        .flat_map(str::lines)
        .filter_map(|line| line.strip_prefix("| `"))
        .filter_map(|line| line.split('`').next())
        .map(|path| path.trim_end_matches('/').to_owned())
        .collect()
}

fn map(entries: &BTreeSet<String>, exists: impl Fn(&str) -> bool, rooms: &[String]) -> Vec<String> {
    let gone = entries
        .iter()
        .filter(|entry| !exists(entry))
        .map(|entry| format!("DEVELOPERS.md: the map names `{entry}`, which is not there"));
    let unmapped = rooms
        .iter()
        .filter(|room| !entries.contains(*room) && !entries.contains(&format!("{room}.rs")))
        .map(|room| format!("DEVELOPERS.md: `{room}` is not in the map; add a row that says what it is for"));
    gone.chain(unmapped).collect()
}

// ---- The tree ---------------------------------------------------------------------------------------------

fn top() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// Paths below `folder` with this ending, relative to the top, in order.
fn paths(folder: &str, endings: &[&str]) -> Vec<String> {
    let mut found = Vec::new();
    let mut open = vec![top().join(folder)];
    while let Some(place) = open.pop() {
        for entry in fs::read_dir(&place).into_iter().flatten().flatten() {
            let path = entry.path();
            let name = entry.file_name().to_string_lossy().into_owned();
            if path.is_dir() && name != "target" && name != ".git" {
                open.push(path);
            } else if endings.iter().any(|ending| name.ends_with(ending)) {
                found.push(path.strip_prefix(top()).unwrap().to_string_lossy().into_owned());
            }
        }
    }
    found.sort();
    found
}

fn read(path: &str) -> String {
    String::from_utf8_lossy(&fs::read(top().join(path)).unwrap()).into_owned()
}

fn sources(folder: &str) -> Vec<File> {
    let files: Vec<File> = paths(folder, &[".rs"]).iter().map(|path| File::new(path, &read(path))).collect();
    assert!(!files.is_empty(), "no source under {folder}");
    files
}

fn none(complaints: Vec<String>) {
    assert!(complaints.is_empty(), "\n{}\n", complaints.join("\n"));
}

#[test]
fn each_room_imports_what_it_may() {
    none(sources("daemon").iter().flat_map(|file| [imports(file), homes(file)].concat()).collect());
}

#[test]
fn sql_and_time_stay_in_their_rooms() {
    none(sources("daemon").iter().flat_map(|file| [sql(file), time(file)].concat()).collect());
}

#[test]
fn files_are_short_and_well_named() {
    let all = ["daemon", "demo", "tests"].map(sources).concat();
    none(all.iter().flat_map(|file| [length(file, LONG), names(file), left_overs(file)].concat()).collect());
    none(
        LONG.iter()
            .filter(|(path, _)| !top().join(path).exists())
            .map(|(path, _)| format!("{path} is gone"))
            .collect(),
    );
}

#[test]
fn the_top_holds_what_the_plan_says() {
    let entries =
        fs::read_dir(top()).unwrap().flatten().map(|entry| entry.file_name().to_string_lossy().into_owned());
    none(
        entries
            .filter(|name| !TOP.split_whitespace().any(|known| known == name))
            .map(|name| format!("{name}: not of the plan"))
            .collect(),
    );
}

#[test]
fn nothing_names_a_path_of_one_machine() {
    let endings = [".rs", ".md", ".toml", ".conf", ".service", ".txt", ".csv", ".py", "run", "acl"];
    none(paths(".", &endings).iter().flat_map(|path| machine_paths(path, &read(path))).collect());
}

#[test]
fn every_figure_of_a_profile_has_a_source() {
    let profiles = [paths("config/crops", &[".toml"]), paths("config/soils", &[".toml"])].concat();
    none(profiles.iter().flat_map(|path| unsourced(path, &read(path))).collect());
}

#[test]
fn the_map_is_true() {
    let rooms: Vec<String> = fs::read_dir(top().join("daemon"))
        .unwrap()
        .flatten()
        .map(|entry| format!("daemon/{}", entry.file_name().to_string_lossy()))
        .collect();
    none(map(&map_entries(&read("DEVELOPERS.md")), |path| top().join(path).exists(), &rooms));
}

#[test]
fn the_science_stands_alone() {
    assert!(read("daemon/agronomy/src/lib.rs").contains("#![no_std]"));
    let manifest: toml::Table = read("daemon/agronomy/Cargo.toml").parse().unwrap();
    let dependencies: Vec<&String> = manifest["dependencies"].as_table().unwrap().keys().collect();
    assert!(
        dependencies.iter().all(|name| ["libm", "num-traits"].contains(&name.as_str())),
        "{dependencies:?}"
    );
}

// ---- Each rule sees red ------------------------------------------------------------------------------------

/// How many complaints `rule` has about `text` standing at `path`.
fn red(rule: impl Fn(&File) -> Vec<String>, path: &str, text: &str) -> usize {
    rule(&File::new(path, text)).len()
}

#[test]
fn a_forbidden_import_is_seen_however_it_is_written() {
    let engine = "daemon/engine/matters/frost.rs";
    assert_eq!(red(imports, engine, "use crate::store::Store;"), 1);
    assert_eq!(red(imports, engine, "use crate::{record::Millis, store::{Store, Row}, clock};"), 3);
    assert_eq!(red(imports, engine, "fn f() -> crate::mail::Letter { x }"), 1);
    assert_eq!(red(imports, engine, "use super::super::super::broker::Link;"), 1);
    assert_eq!(red(imports, engine, "use super::super::book::Book; use crate::intake::Known;"), 0);
    assert_eq!(red(imports, engine, "// use crate::store::Store;\nlet words = \"crate::store::Store\";"), 0);
    assert_eq!(red(imports, "daemon/store/mod.rs", "use agronomy::water;"), 1);
    assert_eq!(red(imports, "daemon/quantities.rs", "use super::engine::Engine;"), 1);
    assert_eq!(red(imports, "daemon/quantities.rs", "mod tests {\n    use super::engine;\n}\n"), 0);
    assert_eq!(red(imports, "daemon/web/mod.rs", "use crate::engine::{Survey, Trust};"), 0);
    assert_eq!(red(imports, "daemon/web/mod.rs", "use crate::engine::Engine;"), 1);
    assert_eq!(red(imports, "daemon/main.rs", "use rindwatch::store::Store;"), 1);
    assert_eq!(red(imports, "daemon/shed/mod.rs", ""), 1, "a room outside the table");
}

#[test]
fn a_crate_outside_its_home_is_seen() {
    assert_eq!(red(homes, "daemon/engine/mod.rs", "use std::fs; use rusqlite::Connection;"), 2);
    assert_eq!(red(homes, "daemon/intake/mod.rs", "use std::{fmt, net::IpAddr};"), 1);
    assert_eq!(red(homes, "daemon/run.rs", "rumqttc::v5::AsyncClient::new(o, 10)"), 1);
    assert_eq!(red(homes, "daemon/store/mod.rs", "use rusqlite::Connection; use std::fs;"), 0);
}

#[test]
fn sql_and_time_out_of_place_are_seen() {
    assert_eq!(red(sql, "daemon/web/mod.rs", "query(r#\"SELECT at FROM reading\"#)"), 1);
    assert_eq!(red(sql, "daemon/store/days.rs", "query(\"SELECT at FROM reading\")"), 0);
    assert_eq!(red(time, "daemon/run.rs", "let now = std::time::Instant::now();"), 1);
    assert_eq!(red(time, "daemon/clock.rs", "let now = std::time::Instant::now();"), 0);
}

#[test]
fn long_badly_named_and_unfinished_files_are_seen() {
    let file = File::new("daemon/engine/utils.rs", &"\n".repeat(LONGEST + 1));
    assert_eq!(length(&file, &[]).len() + names(&file).len(), 2);
    assert_eq!(length(&File::new("a.rs", ""), &[("a.rs", "was long once")]).len(), 1);
    assert_eq!(red(left_overs, "daemon/run.rs", concat!("#[ign", "ore]\nfn f() { to", "do!() }")), 2);
}

#[test]
fn a_path_of_one_machine_is_seen() {
    assert_eq!(machine_paths("a.md", concat!("see /ho", "me/anna/garden and /wo", "rk/main")).len(), 1);
    assert_eq!(machine_paths("a.md", "in /var/lib/rindwatch, target/workshop/x or $PWD/home/x").len(), 0);
}

#[test]
fn a_figure_without_source_is_seen() {
    assert_eq!(
        unsourced("a.toml", "[heat]\nshade_c = 32\n[cold]\ncover_c = 3\nsource = \"FAO-56 table 1\"").len(),
        1
    );
    assert_eq!(unsourced("a.toml", "source = \"\"\nstage_days = [20, 30]").len(), 1);
    assert_eq!(unsourced("a.toml", "broken").len(), 1);
}

#[test]
fn a_map_that_lies_is_seen() {
    let entries = map_entries(
        "# D\n\n## Map\n| `daemon/engine/` | judges |\n| `daemon/gone.rs` | x |\n\n## Words\n| `no` | |\n",
    );
    assert_eq!(entries.len(), 2);
    let complaints =
        map(&entries, |path| path == "daemon/engine", &["daemon/new.rs".into(), "daemon/engine".into()]);
    assert_eq!(complaints.len(), 2, "{complaints:?}");
}
