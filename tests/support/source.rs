//! Rust source as the house rules need it: code without comments and strings, strings without code, and
//! the paths a file names.

/// One source file.
#[derive(Debug, Clone)]
pub struct File {
    /// Path from the top of the tree.
    pub path: String,
    /// As it stands.
    pub text: String,
    /// Without comments; strings and characters are blank.
    pub code: String,
    /// What stands inside string literals, one a line.
    pub strings: String,
}

impl File {
    /// Takes a text apart.
    pub fn new(path: &str, text: &str) -> Self {
        let (code, strings) = take_apart(text);
        Self { path: path.trim_start_matches("./").to_owned(), text: text.to_owned(), code, strings }
    }

    /// Whether the code names `path` (`tokio`, `std::fs`), alone or through a group (`use std::{fs, fmt}`).
    pub fn names_path(&self, path: &str) -> bool {
        let (first, rest) = path.split_once("::").unwrap_or((path, ""));
        trees(&self.code, first).iter().any(|(_, used)| {
            rest.is_empty()
                || used == rest
                || used.strip_prefix(rest).is_some_and(|more| more.starts_with("::"))
        })
    }
}

/// The room of a path: the file or folder below `daemon/`.
pub fn room_of(path: &str) -> &str {
    let below = path.strip_prefix("daemon/").unwrap_or(path);
    below.split('/').next().unwrap_or(below).trim_end_matches(".rs")
}

/// Paths inside our own crates that a file names, from the crate's root: `store::Store`, `agronomy::water`.
pub fn used_paths(file: &File) -> Vec<String> {
    let mut paths = Vec::new();
    for root in ["crate", "rindwatch"] {
        paths.extend(trees(&file.code, root).into_iter().map(|(_, path)| path));
    }
    if room_of(&file.path) == "agronomy" {
        // `crate::` is the science itself there; only the other crate would be foreign.
        return trees(&file.code, "rindwatch").into_iter().map(|(_, path)| path).collect();
    }
    paths.extend(trees(&file.code, "agronomy").into_iter().map(|(_, path)| format!("agronomy::{path}")));
    for (at, path) in trees(&file.code, "super") {
        paths.extend(from_super(&file.path, &file.code[..at], &path));
    }
    paths
}

/// Where `super::path` leads, if out of the file's inline modules; `before` is the code up to it.
fn from_super(path: &str, before: &str, used: &str) -> Option<String> {
    let below = path.strip_prefix("daemon/")?.trim_end_matches(".rs").trim_end_matches("/mod");
    let mut module: Vec<&str> = below.split('/').filter(|part| *part != "lib").collect();
    module.extend(std::iter::repeat_n("inline", inline_modules(before)));
    module.pop();
    let mut rest = used;
    while let Some(more) = rest.strip_prefix("super::") {
        module.pop();
        rest = more;
    }
    module.push(rest);
    let whole = module.join("::");
    (!whole.contains("inline")).then_some(whole)
}

/// How many inline modules are open at the end of `before` (formatted code: the brace closes at its indent).
fn inline_modules(before: &str) -> usize {
    let mut open: Vec<usize> = Vec::new();
    for line in before.lines() {
        let indent = line.len() - line.trim_start().len();
        if line.trim_end() == format!("{}}}", " ".repeat(indent)) && open.last() == Some(&indent) {
            open.pop();
        }
        let words = line.trim().trim_start_matches("pub ");
        if words.starts_with("mod ") && words.ends_with('{') {
            open.push(indent);
        }
    }
    open.len()
}

/// All paths that begin with `root::` (or are `root` alone in a `use`), groups opened: place and the rest.
fn trees(code: &str, root: &str) -> Vec<(usize, String)> {
    let mut found = Vec::new();
    for (at, _) in code.match_indices(root) {
        let before = code[..at].chars().next_back();
        let inner = before.is_some_and(|c| c.is_alphanumeric() || c == '_' || c == ':' || c == '.');
        let Some(rest) = code[at + root.len()..].strip_prefix("::").filter(|_| !inner) else { continue };
        let mut leaves = Vec::new();
        leaf(rest, "", &mut leaves);
        found.extend(leaves.into_iter().map(|path| (at, path)));
    }
    found
}

/// Reads one use tree at the start of `code`; gives the length read.
fn leaf(code: &str, prefix: &str, leaves: &mut Vec<String>) -> usize {
    let mut path = prefix.to_owned();
    let mut at = 0;
    loop {
        at += code[at..].len() - code[at..].trim_start().len();
        if code[at..].starts_with('{') {
            at += 1;
            loop {
                at += code[at..].len() - code[at..].trim_start_matches([' ', '\n', ',']).len();
                if at >= code.len() || code[at..].starts_with('}') {
                    return (at + 1).min(code.len());
                }
                let read = leaf(&code[at..], &path, leaves);
                at += read.max(1);
                // What is not part of a path ("as name") is passed over.
                at += code[at..].find([',', '}']).unwrap_or(code.len() - at);
            }
        }
        let word = code[at..]
            .find(|c: char| !(c.is_alphanumeric() || c == '_' || c == '*'))
            .unwrap_or(code.len() - at);
        path.push_str(&code[at..at + word]);
        at += word;
        if word > 0 && code[at..].starts_with("::") {
            path.push_str("::");
            at += 2;
        } else {
            leaves.push(path);
            return at;
        }
    }
}

/// Code without comments and strings, and the strings.
fn take_apart(text: &str) -> (String, String) {
    let (mut code, mut strings) = (String::new(), String::new());
    let mut rest = text;
    while let Some(next) = rest.chars().next() {
        let taken = if rest.starts_with("//") {
            rest.find('\n').unwrap_or(rest.len())
        } else if rest.starts_with("/*") {
            rest.find("*/").map_or(rest.len(), |end| end + 2)
        } else if let Some((open, close)) = opens_string(&code, rest) {
            let inside = &rest[open..];
            let end = if close == "\"" { closing_quote(inside) } else { inside.find(&close) };
            let end = end.unwrap_or(inside.len());
            strings.push_str(&inside[..end]);
            strings.push('\n');
            code.push_str("\"\"");
            (open + end + close.len()).min(rest.len())
        } else if let Some(length) = character(rest) {
            code.push_str("' '");
            length
        } else {
            code.push(next);
            next.len_utf8()
        };
        rest = &rest[taken..];
    }
    (code, strings)
}

/// Length of the opening of a string at the start of `rest`, and what closes it.
fn opens_string(code: &str, rest: &str) -> Option<(usize, String)> {
    if rest.starts_with('"') {
        return Some((1, "\"".to_owned()));
    }
    let in_word = code.chars().next_back().is_some_and(|c| c.is_alphanumeric() || c == '_');
    let raw = rest.strip_prefix('r').filter(|_| !in_word || code.ends_with('b'))?;
    let hashes = raw.len() - raw.trim_start_matches('#').len();
    raw[hashes..].starts_with('"').then(|| (hashes + 2, format!("\"{}", "#".repeat(hashes))))
}

/// Where an ordinary string ends.
fn closing_quote(inside: &str) -> Option<usize> {
    let mut escaped = false;
    inside.char_indices().find_map(|(at, c)| {
        let ends = c == '"' && !escaped;
        escaped = c == '\\' && !escaped;
        ends.then_some(at)
    })
}

/// Length of a character literal at the start of `rest`; a lifetime is none.
fn character(rest: &str) -> Option<usize> {
    let inside = rest.strip_prefix('\'')?;
    let mut chars = inside.char_indices();
    let (_, first) = chars.next()?;
    if first == '\\' {
        return inside[2.min(inside.len())..].find('\'').map(|end| end + 4);
    }
    chars.next().filter(|(_, second)| *second == '\'').map(|(at, _)| at + 2)
}
