//! A bare number: `21.5`, `21,5`, `"21.5"`, `21.5 °C`, with blanks, line ends or a closing NUL around it.

use crate::settings::garden::Probe;
use crate::settings::units;

use super::super::Steps;
use super::unit;

/// Longest number looked at, characters.
const LIMIT: usize = 64;

/// Reads the number. A unit behind it must be the probe's own; the error says what stood there.
pub(super) fn read(text: &str, probe: &Probe, steps: &mut impl Steps) -> Result<f64, String> {
    let inner = strip(text);
    if inner.is_empty() {
        return Err("empty".to_owned());
    }
    if inner.starts_with(['{', '[']) {
        return Err("a JSON document; set value = \"/...\" to where the number stands in it".to_owned());
    }
    let (digits, behind) = split(inner);
    if digits.is_empty() {
        return Err(format!("{} is not a number", quoted(inner)));
    }
    let number = parse(digits).ok_or_else(|| format!("{} is not a number", quoted(digits)))?;
    if !number.is_finite() {
        return Err(format!("{} is beyond all numbers", quoted(digits)));
    }
    steps.say(|| format!("number {number}"));
    let word = behind.trim();
    if !word.is_empty() {
        check_unit(word, digits, probe, steps)?;
    }
    Ok(number)
}

/// Takes off blanks, line ends, a byte-order mark, closing NULs of C programs and one pair of quotes.
fn strip(text: &str) -> &str {
    let around = |c: char| c.is_whitespace() || c == '\0' || c == '\u{feff}';
    let inner = text.trim_matches(around);
    for quote in ['"', '\''] {
        if let Some(bare) = inner.strip_prefix(quote).and_then(|rest| rest.strip_suffix(quote)) {
            return bare.trim_matches(around);
        }
    }
    inner
}

/// Splits the number from what stands behind it. An exponent counts only with its digits.
fn split(text: &str) -> (&str, &str) {
    let signed = text.strip_prefix(['+', '-', '\u{2212}']).unwrap_or(text);
    let sign = text.len() - signed.len();
    let mantissa =
        signed.bytes().take_while(|byte| byte.is_ascii_digit() || matches!(byte, b'.' | b',')).count();
    if !signed[..mantissa].bytes().any(|byte| byte.is_ascii_digit()) {
        return ("", text);
    }
    text.split_at(sign + mantissa + exponent(&signed[mantissa..]))
}

fn exponent(text: &str) -> usize {
    let Some(rest) = text.strip_prefix(['e', 'E']) else { return 0 };
    let unsigned = rest.strip_prefix(['+', '-']).unwrap_or(rest);
    match unsigned.bytes().take_while(u8::is_ascii_digit).count() {
        0 => 0,
        digits => text.len() - unsigned.len() + digits,
    }
}

/// Parses digits with a decimal point or a decimal comma; more than one of either is no number.
fn parse(digits: &str) -> Option<f64> {
    if !digits.contains([',', '\u{2212}']) {
        return (digits.len() <= LIMIT).then(|| digits.parse().ok()).flatten();
    }
    if digits.len() > LIMIT || digits.contains('.') {
        return None;
    }
    digits.replace(',', ".").replace('\u{2212}', "-").parse().ok()
}

fn check_unit(word: &str, digits: &str, probe: &Probe, steps: &mut impl Steps) -> Result<(), String> {
    let own = probe.unit.as_str();
    let meant = unit::meant(word);
    if word.eq_ignore_ascii_case(own) || (meant.is_some() && meant == unit::meant(own)) {
        steps.say(|| format!("unit {word} is the probe's own"));
        return Ok(());
    }
    let said = format!("\"{} {}\"", short(digits), short(word));
    match meant {
        Some(meant) if units::find(probe.quantity, meant).is_err() => Err(format!(
            "{said} is in {meant}, no unit of {}: is it the probe's topic?",
            probe.quantity.kind().key
        )),
        Some(meant) => Err(format!(
            "{said} is in {meant}, but the probe is set in {own}: set unit = \"{meant}\" or let the node send {own}"
        )),
        None => Err(format!("{said} ends in no unit we know; the probe is set in {own}")),
    }
}

fn quoted(text: &str) -> String {
    format!("\"{}\"", short(text))
}

/// At most 40 characters of what stood there, fit for a line of a log.
fn short(text: &str) -> String {
    super::super::shown(text.as_bytes(), 40)
}
