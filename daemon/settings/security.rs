//! How the connection to the broker is secured.

use std::path::{Path, PathBuf};

/// How the connection to the broker is secured.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum BrokerSecurity {
    /// Not at all.
    Plain,
    /// TLS.
    Tls(BrokerTls),
}

/// TLS to the broker.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BrokerTls {
    /// Extra certificate authority to trust, PEM.
    pub ca_file: Option<PathBuf>,
    /// The broker's certificate must be good and made out for its host.
    pub checked: bool,
    /// Our own certificate and its key, PEM, where the broker asks for one.
    pub own: Option<(PathBuf, PathBuf)>,
}

impl BrokerSecurity {
    /// The files it names, with their keys.
    pub fn files(&self) -> Vec<(&'static str, &Path)> {
        let BrokerSecurity::Tls(tls) = self else { return Vec::new() };
        let ca_file = tls.ca_file.as_deref().map(|file| ("broker.ca-file", file));
        let own = tls.own.as_ref().map(|(certificate, key)| {
            [("broker.own-certificate", certificate.as_path()), ("broker.own-key", key.as_path())]
        });
        ca_file.into_iter().chain(own.into_iter().flatten()).collect()
    }

    /// Takes relative paths from `folder`.
    pub(super) fn rebase(&mut self, folder: &Path) {
        if let BrokerSecurity::Tls(tls) = self {
            let own = tls.own.iter_mut().flat_map(|(certificate, key)| [certificate, key]);
            for file in tls.ca_file.iter_mut().chain(own) {
                *file = folder.join(&*file);
            }
        }
    }
}
