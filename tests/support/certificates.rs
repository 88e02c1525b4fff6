//! Certificates made for one test: an authority, a broker's and a client's.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;

use rcgen::{BasicConstraints, CertificateParams, DnType, IsCa, Issuer, KeyPair, date_time_ymd};

/// When a broker's certificate holds.
#[derive(Clone, Copy)]
pub enum Holds {
    Now,
    /// Until the end of 2020.
    NoMore,
    /// From 2090 on.
    NotYet,
}

/// The files of one authority and what it signed.
pub struct Certificates {
    folder: tempfile::TempDir,
}

impl Certificates {
    /// A broker's certificate for `name`, a host name or an address, and a client's.
    pub fn made(name: &str, holds: Holds) -> Self {
        let folder = tempfile::tempdir().unwrap();
        // The broker reads them as an account of its own.
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
        let write = |file: &str, words: String| fs::write(folder.path().join(file), words).unwrap();
        let mut params = CertificateParams::new(Vec::new()).unwrap();
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        params.distinguished_name.push(DnType::CommonName, format!("authority of {name}"));
        let key = KeyPair::generate().unwrap();
        write("authority.pem", params.self_signed(&key).unwrap().pem());
        let issuer = Issuer::new(params, key);
        let mut broker = CertificateParams::new(vec![name.to_owned()]).unwrap();
        match holds {
            Holds::Now => {}
            Holds::NoMore => broker.not_after = date_time_ymd(2020, 12, 31),
            Holds::NotYet => broker.not_before = date_time_ymd(2090, 1, 1),
        }
        for (file, params) in [("broker", broker), ("client", CertificateParams::new(Vec::new()).unwrap())] {
            let key = KeyPair::generate().unwrap();
            write(&format!("{file}.pem"), params.signed_by(&key, &issuer).unwrap().pem());
            write(&format!("{file}.key"), key.serialize_pem());
        }
        Self { folder }
    }

    pub fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Lines of a mosquitto's settings: its listener wants TLS.
    pub fn mosquitto(&self) -> String {
        let file = |name: &str| self.file(name).display().to_string();
        format!(
            "cafile {}\ncertfile {}\nkeyfile {}",
            file("authority.pem"),
            file("broker.pem"),
            file("broker.key")
        )
    }

    /// Lines of `[broker]`: TLS, and this authority trusted.
    pub fn trusted(&self) -> String {
        format!("security = \"tls\"\nca-file = \"{}\"", self.file("authority.pem").display())
    }
}
