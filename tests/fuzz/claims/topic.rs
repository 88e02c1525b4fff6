//! The topic matcher beside the text of MQTT 5.0 §4.7, written down a second time.

use rindwatch::intake::matches;

/// `FILTER NEWLINE TOPIC`: both ways agree, and a topic matches itself and `#`.
pub fn hold(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let Some((filter, topic)) = text.split_once('\n') else { return };
    assert_eq!(matches(filter, topic), by_the_standard(filter, topic), "{filter:?} and {topic:?}");
    if !topic.is_empty() && !topic.contains(['+', '#']) {
        assert!(matches(topic, topic), "{topic:?} misses itself");
        assert_eq!(matches("#", topic), !topic.starts_with('$'), "{topic:?}");
        // §4.7.1.2: the multi-level wildcard stands for the parent too.
        assert!(matches(&format!("{topic}/#"), topic), "{topic:?} is no parent");
    }
}

fn by_the_standard(filter: &str, topic: &str) -> bool {
    let wanted: Vec<&str> = filter.split('/').collect();
    let levels: Vec<&str> = topic.split('/').collect();
    let hidden = topic.starts_with('$') && (wanted[0] == "+" || wanted[0] == "#" || begins_wild(filter));
    if topic.is_empty() || hidden || wanted.iter().rev().skip(1).any(|level| *level == "#") {
        return false;
    }
    let (head, open) = match wanted.split_last() {
        Some((&"#", head)) => (head, true),
        _ => (&wanted[..], false),
    };
    let long_enough = if open { levels.len() >= head.len() } else { levels.len() == head.len() };
    long_enough && head.iter().zip(&levels).all(|(level, there)| *level == "+" || level == there)
}

/// A filter like `+a` is none by §4.7.1.3; settings refuse it. It begins with a wildcard all the same.
fn begins_wild(filter: &str) -> bool {
    filter.starts_with(['+', '#'])
}
