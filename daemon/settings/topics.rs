//! Topic filters of MQTT (OASIS MQTT 5.0 §4.7): which are well formed, and which meet.

/// What is wrong with a topic filter, if anything (§4.7.1, §4.7.3).
pub(super) fn fault(filter: &str) -> Option<&'static str> {
    let mut levels = filter.split('/').peekable();
    if filter.is_empty() {
        return Some("must not be empty");
    }
    if filter.len() > 65_535 {
        return Some("at most 65535 bytes");
    }
    if filter.chars().any(char::is_control) {
        return Some("must hold no control characters");
    }
    if filter.starts_with("$share/") {
        return Some("shared subscriptions would give each message to somebody else in turn");
    }
    while let Some(level) = levels.next() {
        if level == "#" && levels.peek().is_some() {
            return Some("# may stand only as the last level, like garden/#");
        }
        if level.len() > 1 && level.contains('#') {
            return Some("# must be a level by itself, like garden/#");
        }
        if level.len() > 1 && level.contains('+') {
            return Some("+ must be a level by itself, like garden/+/moisture");
        }
    }
    None
}

/// Whether some topic would match both filters.
pub(crate) fn meet(one: &str, other: &str) -> bool {
    let hidden = |filter: &str| filter.starts_with('$');
    let open = |filter: &str| filter.starts_with(['#', '+']);
    // A leading wildcard matches no topic that begins with $ (§4.7.2).
    if hidden(one) && open(other) || hidden(other) && open(one) {
        return false;
    }
    let (mut one, mut other) = (one.split('/'), other.split('/'));
    loop {
        match (one.next(), other.next()) {
            (Some("#"), _) | (_, Some("#")) | (None, None) => return true,
            (Some(left), Some(right)) if left == right || left == "+" || right == "+" => {}
            _ => return false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Examples of OASIS MQTT 5.0 §4.7.1.2 and §4.7.1.3.
    #[test]
    fn the_standards_own_examples() {
        for good in
            ["sport/tennis/player1/#", "sport/#", "#", "sport/tennis/#", "+", "+/tennis/#", "/finance"]
        {
            assert_eq!(fault(good), None, "{good}");
        }
        for bad in ["sport/tennis#", "sport/tennis/#/ranking", "sport+", ""] {
            assert!(fault(bad).is_some(), "{bad}");
        }
        for topic in
            ["sport/tennis/player1", "sport/tennis/player1/ranking", "sport/tennis/player1/score/wimbledon"]
        {
            assert!(meet("sport/tennis/player1/#", topic), "{topic}");
        }
        assert!(meet("sport/#", "sport"));
        assert!(meet("sport/tennis/+", "sport/tennis/player1"));
        assert!(!meet("sport/tennis/+", "sport/tennis/player1/ranking"));
        assert!(!meet("sport/+", "sport"));
        assert!(meet("sport/+", "sport/"));
        assert!(meet("+/+", "/finance"));
        assert!(!meet("+", "/finance"));
        assert!(!meet("#", "$SYS/monitor/Clients"));
        assert!(!meet("+/monitor/Clients", "$SYS/monitor/Clients"));
        assert!(meet("$SYS/#", "$SYS/monitor/Clients"));
    }
}
