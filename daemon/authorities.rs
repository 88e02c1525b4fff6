//! Which authorities we trust when another machine shows its certificate: those of the system, and one the settings
//! name.

use std::path::Path;

use rustls::RootCertStore;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;

/// The authorities of the system, and the one in `ca_file`, which `section` of the settings names. `whose` certificate is
/// to be checked stands in the words.
///
/// # Errors
/// One line: the file cannot be used, or there is no authority at all.
pub fn roots(section: &str, whose: &str, ca_file: Option<&Path>) -> Result<RootCertStore, String> {
    let mut roots = RootCertStore::empty();
    // One that cannot be read is one authority less.
    roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
    let own = ca_file.map(|path| certificates(section, "ca-file", path)).transpose()?;
    for authority in own.into_iter().flatten() {
        roots
            .add(authority)
            .map_err(|error| format!("ca-file of [{section}]: no authority's certificate: {error}"))?;
    }
    if roots.is_empty() {
        return Err(format!(
            "this board knows no authority to check {whose} certificate by: install the system's certificates or \
             set `ca-file` under [{section}]"
        ));
    }
    Ok(roots)
}

/// The certificates in a PEM file that `key` of `section` names.
///
/// # Errors
/// One line: it cannot be read or holds none.
pub fn certificates(section: &str, key: &str, path: &Path) -> Result<Vec<CertificateDer<'static>>, String> {
    let shown = path.display();
    let pem = std::fs::read(path).map_err(|error| {
        format!("{key} = {shown} under [{section}] cannot be read ({error}): let rindwatch read it")
    })?;
    let found: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(&pem).collect();
    match found {
        Ok(found) if !found.is_empty() => Ok(found),
        _ => Err(format!("{key} = {shown} under [{section}] holds no certificate in PEM form")),
    }
}
