//! Settings: one TOML file a garden, checked whole, every complaint at once.
//!
//! [`read`] makes a [`Garden`] from a file or says everything that is wrong with it. `document` walks the
//! TOML; `amounts` and `units` know how people write; `patch`, `beds`, `probes` and `doors` read their
//! sections; `profiles` holds crops and soils. Secrets are read later and elsewhere, by [`secrets`].

use std::collections::BTreeSet;
use std::path::Path;

mod amounts;
mod beds;
mod complaint;
pub mod defaults;
mod document;
mod doors;
pub mod expected;
pub mod garden;
pub mod outlook;
mod patch;
mod probes;
pub mod profiles;
pub mod secrets;
mod security;
pub mod signs;
pub(crate) mod topics;
pub mod units;

pub use complaint::{Complaint, Complaints};

use document::{Document, Table};
use garden::Garden;
use secrets::SecretFiles;

/// Longest settings file, bytes.
const FILE_BYTES: u64 = 1 << 20;

/// Reads the garden of the file at `path`.
///
/// # Errors
/// Every complaint there is, in the order of the file.
pub fn read(path: &Path) -> Result<Garden, Complaints> {
    read_with_secrets(path).map(|(garden, _)| garden)
}

/// Like [`read`], and says where the secrets lie, for [`secrets::fill`]. Relative paths in the file are
/// taken from its own folder.
///
/// # Errors
/// Every complaint there is, in the order of the file.
pub fn read_with_secrets(path: &Path) -> Result<(Garden, SecretFiles), Complaints> {
    let file = path.display().to_string();
    let text = text_of(path).map_err(|rule| {
        let nowhere =
            Complaint { file: file.clone(), line: 0, key: String::new(), value: String::new(), rule };
        Complaints(vec![nowhere])
    })?;
    let (mut garden, mut secrets) = walk_all(&file, &text).0?;
    let folder = path.parent().unwrap_or(Path::new(""));
    secrets.rebase(folder);
    garden.broker.security.rebase(folder);
    if let Some(ca_file) = garden.mail.as_mut().and_then(|mail| mail.ca_file.as_mut()) {
        *ca_file = folder.join(&*ca_file);
    }
    if let Some(sign) = &mut garden.sign {
        sign.rebase(folder);
    }
    Ok((garden, secrets))
}

/// Reads the garden of `text`; `file` is its name in complaints.
///
/// # Errors
/// Every complaint there is, in the order of the text.
pub fn read_str(file: &str, text: &str) -> Result<Garden, Complaints> {
    walk_all(file, text).0.map(|(garden, _)| garden)
}

/// Every key that reading `text` asks for, with its tables: what may stand in such a file.
pub fn keys(text: &str) -> BTreeSet<String> {
    walk_all("", text).1
}

fn text_of(path: &Path) -> Result<String, String> {
    let size = std::fs::metadata(path).map_err(|error| cannot_open(&error))?.len();
    if size > FILE_BYTES {
        return Err(format!("{size} bytes; a settings file has at most {FILE_BYTES}"));
    }
    let bytes = std::fs::read(path).map_err(|error| cannot_open(&error))?;
    String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        format!("not UTF-8 from byte {at} on; save it as UTF-8")
    })
}

fn cannot_open(error: &std::io::Error) -> String {
    format!("cannot be read ({error}); name the settings file with --config FILE")
}

type Walked = Result<(Garden, SecretFiles), Complaints>;

fn walk_all(file: &str, text: &str) -> (Walked, BTreeSet<String>) {
    let document = Document::parse(file, text);
    let walked = walk(document.top());
    let complaints = document.complaints();
    let read = match walked {
        Some(read) if complaints.is_empty() => Ok(read),
        _ => Err(Complaints(complaints)),
    };
    (read, document.asked())
}

/// Walks the whole document. `None` only where something was complained about.
fn walk(top: Table<'_>) -> Option<(Garden, SecretFiles)> {
    let patch = patch::patch(&top);
    let (quiet, windows) = patch::times(&top);
    let people = patch::people(&top, patch.units, quiet, &windows);
    let vessels = patch::vessels(&top);
    let (commit_delay_s, keeping) = patch::store(&top);
    let door = doors::broker(&top, patch.name.as_deref());
    let (mail, mail_password) = doors::mail(&top).unzip();
    let (mirror, mirror_token) = doors::mirror(&top).unzip();
    let page = doors::page(&top);
    let clock = doors::clock(&top);
    let (facts, beds) = beds::beds(&top, &vessels);
    let probes = probes::probes(&top, &facts, door.publish_root.as_deref());
    let (sign, sign_address) = signs::sign_of_life(&top, door.publish_root.as_deref()).unzip();
    top.close();
    let garden = Garden {
        name: patch.name?,
        place: patch.place?,
        zone: patch.zone?,
        people,
        quiet,
        windows,
        vessels,
        beds,
        probes,
        broker: door.broker,
        mail,
        mirror,
        page,
        commit_delay_s,
        keeping,
        clock,
        sign,
    };
    let secrets = SecretFiles {
        broker_password: door.password_file,
        mail_password: mail_password.flatten(),
        mirror_token: mirror_token.flatten(),
        sign_address: sign_address.flatten(),
    };
    Some((garden, secrets))
}
