//! MQTT topic filters (MQTT 5.0 §4.7; the rules of 3.1.1 are the same).

/// Whether `filter` matches `topic`.
///
/// `+` stands for one level, `#` at the end for any number of levels and for the parent itself
/// (§4.7.1.2, §4.7.1.3). A filter that starts with a wildcard never matches a topic that starts with `$`
/// (§4.7.2). Levels are compared byte for byte; an empty level is a level (§4.7.3).
pub fn matches(filter: &str, topic: &str) -> bool {
    if topic.is_empty() || (topic.starts_with('$') && filter.starts_with(['+', '#'])) {
        return false;
    }
    let mut wanted = filter.split('/');
    let mut levels = topic.split('/');
    loop {
        match (wanted.next(), levels.next()) {
            (Some("#"), _) => return wanted.next().is_none(),
            (Some("+"), Some(_)) => {}
            (Some(level), Some(there)) if level == there => {}
            (None, None) => return true,
            _ => return false,
        }
    }
}

/// How many levels of `filter` the topic misses, for hints: levels that differ plus levels too many or
/// too few. 0 = it matches, apart from the rule for `$`.
pub(super) fn levels_missed(filter: &str, topic: &str) -> usize {
    let mut wanted = filter.split('/');
    let mut levels = topic.split('/');
    let mut missed = 0;
    loop {
        match (wanted.next(), levels.next()) {
            (Some("#"), _) | (None, None) => return missed,
            (Some(level), Some(there)) if level == "+" || level == there => {}
            _ => missed += 1,
        }
    }
}
