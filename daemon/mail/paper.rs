//! A letter laid out but not yet in any form, its two forms (plain text and HTML), and the finished
//! message after RFC 5322 and RFC 2046.

use std::time::{Duration, UNIX_EPOCH};

use lettre::Address;
use lettre::message::header::{ContentTransferEncoding, ContentType, Header, HeaderName, HeaderValue};
use lettre::message::{Mailbox, Message, MultiPart, SinglePart};
use maud::{DOCTYPE, Markup, html};

use crate::record::Millis;

use super::table::Table;

/// Widest line of prose, characters.
const WIDTH: usize = 74;
/// Room for the labels of a section.
const LABEL_WIDTH: usize = 8;

/// A letter laid out.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Paper {
    /// The first lines: one a task.
    pub heads: Vec<String>,
    /// One section a task.
    pub sections: Vec<Section>,
    /// What closes the letter; the very last line is the answer that works.
    pub foot: Vec<String>,
}

/// The part of a letter about one task.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Section {
    /// Number and title.
    pub title: String,
    /// Labelled paragraphs.
    pub parts: Vec<(&'static str, Vec<String>)>,
    /// The evidence.
    pub table: Option<Table>,
}

impl Paper {
    /// Whatever stood in names, settings and readings, each piece is one line that reads as it is written.
    pub fn plain(mut self) -> Self {
        let sections = &mut self.sections;
        let of_section = |section: &mut Section| {
            let Section { title, parts, table } = section;
            clean(title);
            parts.iter_mut().flat_map(|(_, sentences)| sentences).for_each(clean);
            table.iter_mut().for_each(|table| {
                let cells = table.columns.iter_mut().chain(table.rows.iter_mut().flatten());
                cells.chain(&mut table.notes).for_each(clean);
            });
        };
        sections.iter_mut().for_each(of_section);
        self.heads.iter_mut().chain(&mut self.foot).for_each(clean);
        self
    }

    /// The letter as plain text, lines of at most 78 characters wherever words allow.
    pub fn text(&self) -> String {
        let mut lines: Vec<String> = Vec::new();
        for head in &self.heads {
            lines.extend(wrapped(head, "", "   "));
        }
        for section in &self.sections {
            lines.push(String::new());
            lines.push(String::new());
            lines.extend(wrapped(&section.title, "", "   "));
            lines.push("-".repeat(section.title.chars().count().min(WIDTH)));
            for (label, sentences) in &section.parts {
                let label = format!("{label:<LABEL_WIDTH$}");
                let blank = " ".repeat(LABEL_WIDTH);
                for (at, sentence) in sentences.iter().enumerate() {
                    lines.extend(wrapped(sentence, if at == 0 { &label } else { &blank }, &blank));
                }
            }
            if let Some(table) = &section.table {
                lines.push(String::new());
                lines.extend(table.lines());
                lines.extend(table.notes.iter().flat_map(|note| wrapped(note, "", "")));
            }
        }
        lines.push(String::new());
        lines.push(String::new());
        for (at, paragraph) in self.foot.iter().enumerate() {
            if at > 0 && at + 1 == self.foot.len() {
                lines.push(String::new());
            }
            lines.extend(wrapped(paragraph, "", ""));
        }
        lines.join("\n") + "\n"
    }

    /// The letter as HTML: inline styles, nothing fetched from anywhere.
    pub fn html(&self, subject: &str) -> String {
        html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    title { (subject) }
                }
                body style="margin:0;padding:16px;font:16px/1.45 Georgia,serif;max-width:42em" {
                    @for head in &self.heads {
                        p style="margin:0 0 6px;font-size:20px;font-weight:bold" { (head) }
                    }
                    @for section in &self.sections { (section_html(section)) }
                    div style="margin:24px 0 0;padding:10px 0 0;border-top:1px solid #777" {
                        @for paragraph in &self.foot { p style="margin:0 0 6px" { (paragraph) } }
                    }
                }
            }
        }
        .into_string()
    }
}

fn clean(words: &mut String) {
    *words = super::catalogue::plain(words);
}

fn section_html(section: &Section) -> Markup {
    html! {
        h2 style="margin:24px 0 6px;font-size:17px" { (section.title) }
        @for (label, sentences) in &section.parts {
            p style="margin:0 0 6px" {
                b { (label) ":" }
                @for (at, sentence) in sentences.iter().enumerate() {
                    @if at > 0 { br; } @else { " " }
                    (sentence)
                }
            }
        }
        @if let Some(table) = &section.table { (table_html(table)) }
    }
}

/// The evidence for narrow screens: a row's mark stands under its name, and a table that is still too wide
/// can be pushed sideways.
fn table_html(table: &Table) -> Markup {
    html! {
        @if !table.rows.is_empty() {
            div style="overflow-x:auto;margin:8px 0" {
                table style="border-collapse:collapse;font-size:13px" {
                    @for (at, row) in std::iter::once(&table.columns).chain(&table.rows).enumerate() {
                        tr { (row_html(row, at == 0, table.has_marks)) }
                    }
                }
            }
        }
        @for note in &table.notes { p style="margin:0 0 6px;font-size:13px" { (note) } }
    }
}

fn row_html(row: &[String], is_head: bool, has_marks: bool) -> Markup {
    let (mark, row) = match row.split_last() {
        Some((mark, row)) if has_marks => (Some(mark).filter(|mark| !is_head && !mark.is_empty()), row),
        _ => (None, row),
    };
    let weight = if is_head { ";font-weight:bold" } else { "" };
    let cell = |side| format!("padding:2px 6px 2px 0;border-bottom:1px solid #bbb;text-align:{side}{weight}");
    html! {
        @for (column, words) in row.iter().enumerate() {
            td style=(cell(if column == 0 { "left" } else { "right" })) {
                (words)
                @if column == 0 { @if let Some(mark) = mark { br; (mark) } }
            }
        }
    }
}

/// `text` broken at spaces; a word longer than a line stands alone. The first line begins with `first`,
/// the others with `other`.
fn wrapped(text: &str, first: &str, other: &str) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = first.to_owned();
    let mut bare = true;
    for word in text.split_whitespace() {
        let long = line.chars().count() + usize::from(!bare) + word.chars().count() > WIDTH;
        if long && !bare {
            lines.push(std::mem::replace(&mut line, other.to_owned()));
            bare = true;
        }
        if !bare {
            line.push(' ');
        }
        line.push_str(word);
        bare = false;
    }
    lines.push(line.trim_end().to_owned());
    lines
}

/// What the message around the two forms needs.
#[derive(Debug)]
pub struct Cover<'a> {
    /// Sender address.
    pub from: &'a str,
    /// The garden's name: stands as the sender's name and makes the fallback address.
    pub garden: &'a str,
    /// The person's name and address.
    pub to: (&'a str, &'a str),
    /// Subject line.
    pub subject: &'a str,
    /// When the letter was decided.
    pub at_ms: Millis,
    /// Its message id, with angle brackets.
    pub id: &'a str,
    /// The message id it answers.
    pub answers: Option<String>,
    /// All message ids it belongs to.
    pub references: Vec<String>,
}

/// The finished message. The same input gives the same bytes.
pub fn message(cover: &Cover, text: String, html: String) -> Vec<u8> {
    // Fixed, so that the bytes are; longer only where someone's words hold it.
    let mut boundary = "=_rindwatch".to_owned();
    while text.contains(&boundary) || html.contains(&boundary) {
        boundary.push('_');
    }
    let mut builder = Message::builder()
        .date(UNIX_EPOCH + Duration::from_millis(dated(cover.at_ms)))
        .message_id(Some(cover.id.to_owned()))
        .subject(cover.subject)
        .header(AutoSubmitted);
    // An address that does not parse is told by the post when it sends; here the letter must be worded.
    let nowhere = format!("nobody@{}.rindwatch.invalid", cover.garden);
    let mailbox = |name: &str, address: &str| {
        // The mail library takes any script; a header does not.
        let plain = address.parse::<Address>().ok().filter(|_| address.is_ascii());
        let address = plain.or_else(|| nowhere.parse().ok())?;
        Some(Mailbox::new(Some(name.to_owned()).filter(|name| !name.is_empty()), address))
    };
    if let Some(from) = mailbox(&format!("rindwatch {}", cover.garden), cover.from) {
        builder = builder.from(from);
    }
    if let Some(to) = mailbox(cover.to.0, cover.to.1) {
        builder = builder.to(to);
    }
    if let Some(answers) = &cover.answers {
        builder = builder.in_reply_to(answers.clone());
    }
    if !cover.references.is_empty() {
        builder = builder.references(cover.references.join(" "));
    }
    let both = MultiPart::alternative()
        .boundary(boundary)
        .singlepart(part(ContentType::TEXT_PLAIN, text))
        .singlepart(part(ContentType::TEXT_HTML, html));
    // Building fails only without sender or receiver; a garden's name makes both. The post refuses an
    // empty letter with a reason.
    builder.multipart(both).map(|message| message.formatted()).unwrap_or_default()
}

/// Always quoted-printable, so that [`text_of`] finds one form only.
fn part(kind: ContentType, words: String) -> SinglePart {
    SinglePart::builder().header(kind).header(ContentTransferEncoding::QuotedPrintable).body(words)
}

/// The plain text of a finished letter, for pages; `None` if `eml` is not one of ours.
pub fn text_of(eml: &[u8]) -> Option<String> {
    let eml = std::str::from_utf8(eml).ok()?;
    let (head, body) = eml.split_once("\r\n\r\n")?;
    let boundary = head.split_once("boundary=\"")?.1.split_once('"')?.0;
    let delimiter = format!("--{boundary}\r\n");
    let part = body.split(delimiter.as_str()).nth(1)?;
    let text = part.split_once("\r\n\r\n")?.1;
    Some(unquoted(text).trim_end().to_owned() + "\n")
}

/// Undoes quoted-printable (RFC 2045 §6.7) with line ends of one character.
fn unquoted(text: &str) -> String {
    let text = text.replace("=\r\n", "").replace("\r\n", "\n");
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.as_bytes();
    while let [byte, after @ ..] = rest {
        let coded = (*byte == b'=')
            .then(|| after.get(..2))
            .flatten()
            .and_then(|digits| std::str::from_utf8(digits).ok())
            .and_then(|digits| u8::from_str_radix(digits, 16).ok());
        match coded {
            Some(value) => {
                bytes.push(value);
                rest = after.get(2..).unwrap_or_default();
            }
            None => {
                bytes.push(*byte);
                rest = after;
            }
        }
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

/// Milliseconds that the date header can show: 1970 to 9999.
fn dated(at_ms: Millis) -> u64 {
    u64::try_from(at_ms.clamp(0, 253_402_300_799_000)).unwrap_or(0)
}

/// `Auto-Submitted: auto-generated` (RFC 3834): holiday notes and the like must not answer us.
#[derive(Debug, Clone, Copy)]
struct AutoSubmitted;

impl Header for AutoSubmitted {
    fn name() -> HeaderName {
        HeaderName::new_from_ascii_str("Auto-Submitted")
    }

    fn parse(_: &str) -> Result<Self, Box<dyn std::error::Error + Send + Sync>> {
        Ok(Self)
    }

    fn display(&self) -> HeaderValue {
        HeaderValue::new(Self::name(), "auto-generated".to_owned())
    }
}
