//! What the fuzz targets claim, held on the corpus they found, and on what comes of it by small changes.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use proptest::prelude::*;
use proptest::sample::Index;

#[path = "fuzz/claims/capture.rs"]
mod capture;
#[path = "fuzz/claims/daybook.rs"]
mod daybook;
#[path = "fuzz/claims/payload.rs"]
mod payload;
#[path = "fuzz/claims/settings.rs"]
mod settings;
#[path = "fuzz/claims/topic.rs"]
mod topic;

/// The kept inputs of a target.
fn corpus(target: &str) -> Vec<(String, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus").join(target);
    let mut kept: Vec<_> = fs::read_dir(&folder)
        .unwrap()
        .map(|entry| entry.unwrap())
        .map(|entry| (entry.file_name().into_string().unwrap(), fs::read(entry.path()).unwrap()))
        .collect();
    kept.sort();
    kept
}

/// Every kept input keeps the claim; the one that does not is named.
fn replayed(target: &str, hold: fn(&[u8])) {
    let kept = corpus(target);
    assert!(kept.len() >= 4, "{target}: the corpus is gone");
    for (name, bytes) in kept {
        let held = catch_unwind(AssertUnwindSafe(|| hold(&bytes))).is_ok();
        assert!(held, "tests/fuzz/corpus/{target}/{name}: {}", String::from_utf8_lossy(&bytes));
    }
}

/// A kept input after a few cuts, with bytes put in that the grammars know.
fn changed(kept: &[(String, Vec<u8>)], which: Index, cuts: &[(Index, usize, Vec<u8>)]) -> Vec<u8> {
    let mut bytes = kept[which.index(kept.len())].1.clone();
    for (at, cut, put) in cuts {
        let at = at.index(bytes.len() + 1);
        let end = (at + cut).min(bytes.len());
        bytes.splice(at..end, put.iter().copied());
    }
    bytes
}

fn cuts() -> impl Strategy<Value = Vec<(Index, usize, Vec<u8>)>> {
    let put = prop_oneof![
        proptest::collection::vec(any::<u8>(), 0..4),
        "[ -~]{0,6}".prop_map(String::into_bytes),
        "[-+.,:/#\"'\\[\\]{}=\n0-9eETZ]{0,6}".prop_map(String::into_bytes),
    ];
    proptest::collection::vec((any::<Index>(), 0usize..12, put), 1..5)
}

macro_rules! target {
    ($target:ident, $cases:literal) => {
        mod $target {
            use super::*;

            #[test]
            fn the_corpus_keeps_its_claims() {
                replayed(stringify!($target), super::super::$target::hold);
            }

            proptest! {
                #![proptest_config(ProptestConfig {
                    cases: $cases, failure_persistence: None, ..ProptestConfig::default()
                })]
                #[test]
                fn small_changes_break_no_claim(which in any::<Index>(), cuts in cuts()) {
                    super::super::$target::hold(&changed(&corpus(stringify!($target)), which, &cuts));
                }
            }
        }
    };
}

mod claims {
    use super::*;

    target!(payload, 2000);
    target!(topic, 2000);
    target!(daybook, 2000);
    target!(settings, 500);
    target!(capture, 2000);
}
