//! Secrets: read from files when they are needed, never from the settings themselves.
//!
//! A service manager hands them over in a folder (systemd: `LoadCredential=`, `$CREDENTIALS_DIRECTORY`);
//! a file there goes before the one that `password-file` or `token-file` names.

use std::path::{Path, PathBuf};

use super::garden::{Garden, Secret};
use super::signs::Address;

/// Longest secret, bytes.
const SECRET_BYTES: usize = 4096;

/// Where the settings say that secrets lie.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SecretFiles {
    /// `password-file` of `[broker]`.
    pub broker_password: Option<PathBuf>,
    /// `password-file` of `[mail]`.
    pub mail_password: Option<PathBuf>,
    /// `token-file` of `[mirror]`.
    pub mirror_token: Option<PathBuf>,
    /// `url-file` of `[sign-of-life]`.
    pub sign_address: Option<PathBuf>,
}

impl SecretFiles {
    /// Takes relative paths from `folder`.
    pub(super) fn rebase(&mut self, folder: &Path) {
        let files = [
            &mut self.broker_password,
            &mut self.mail_password,
            &mut self.mirror_token,
            &mut self.sign_address,
        ];
        for file in files.into_iter().flatten() {
            *file = folder.join(&*file);
        }
    }

    /// The files with the keys that name them.
    pub fn named(&self) -> impl Iterator<Item = (&'static str, &Path)> {
        let named = [
            ("broker.password-file", &self.broker_password),
            ("mail.password-file", &self.mail_password),
            ("mirror.token-file", &self.mirror_token),
            ("sign-of-life.url-file", &self.sign_address),
        ];
        named.into_iter().filter_map(|(key, file)| file.as_deref().map(|file| (key, file)))
    }
}

/// A secret that can't be had: one line that says what to do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct SecretError(String);

/// The folder a service manager put our credentials in, if one did.
pub fn credentials_folder() -> Option<PathBuf> {
    std::env::var_os("CREDENTIALS_DIRECTORY").map(PathBuf::from)
}

/// Puts the secrets into the garden. A server with a user needs its password; the mirror's token is
/// taken where there is one.
///
/// # Errors
/// The first secret that is needed and can't be read.
pub fn fill(garden: &mut Garden, files: &SecretFiles, credentials: Option<&Path>) -> Result<(), SecretError> {
    if garden.broker.user.is_some() {
        let file = files.broker_password.as_deref();
        garden.broker.password = Some(needed("broker", "broker-password", file, credentials)?);
    }
    if let Some(mail) = garden.mail.as_mut().filter(|mail| mail.user.is_some()) {
        let file = files.mail_password.as_deref();
        mail.password = Some(needed("mail", "mail-password", file, credentials)?);
    }
    if let Some(mirror) = &mut garden.mirror {
        mirror.token = found("mirror-token", files.mirror_token.as_deref(), credentials)?;
    }
    if let Some(sign) = &mut garden.sign {
        let name = "sign-of-life-url";
        let address = found(name, files.sign_address.as_deref(), credentials)?;
        if address.is_none() && sign.topics.is_none() {
            return Err(SecretError(format!(
                "[sign-of-life] tells nobody: name the file of an address with url-file, hand it over as the credential \
                 {name}, or set at-broker = \"on\""
            )));
        }
        let parsed = address.map(|words| Address::parse(words.reveal(), sign.ping.open_http)).transpose();
        sign.ping.address = parsed.map_err(|rule| SecretError(format!("{name}: {rule}")))?;
    }
    Ok(())
}

fn needed(
    section: &str,
    name: &str,
    file: Option<&Path>,
    credentials: Option<&Path>,
) -> Result<Secret, SecretError> {
    found(name, file, credentials)?.ok_or_else(|| {
        SecretError(format!(
            "[{section}] has a user but no password: put it into a file that only rindwatch may read and name \
             that with password-file, or hand it over as the credential {name}"
        ))
    })
}

/// The credential of that name, else the file of the settings; `None` when neither is named.
fn found(name: &str, file: Option<&Path>, credentials: Option<&Path>) -> Result<Option<Secret>, SecretError> {
    let credential = credentials.map(|folder| folder.join(name)).filter(|path| path.exists());
    let Some(path) = credential.as_deref().or(file) else { return Ok(None) };
    let refuse = |why: String| SecretError(format!("{name}: {}: {why}", path.display()));
    let bytes = std::fs::read(path).map_err(|error| {
        refuse(format!("cannot be read ({error}); make the file and let rindwatch alone read it"))
    })?;
    if bytes.len() > SECRET_BYTES {
        return Err(refuse(format!("more than {SECRET_BYTES} bytes; the secret stands there alone")));
    }
    let text = String::from_utf8(bytes).map_err(|_| refuse("not UTF-8; save it as plain text".to_owned()))?;
    let words = text.trim_end_matches(['\n', '\r']);
    if words.is_empty() || words.contains(['\n', '\r', '\0']) {
        return Err(refuse("one line is wanted, the secret alone".to_owned()));
    }
    Ok(Some(Secret::new(words.to_owned())))
}
