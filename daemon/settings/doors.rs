//! Where the garden meets other machines: broker, mail server, mirror, page.

use std::net::{IpAddr, SocketAddr};
use std::path::{Component, Path, PathBuf};

use toml::de::DeValue;

use super::amounts::{DURATION, amount, one_of, whole, words};
use super::document::{Parsed, Table};
use super::garden::{Broker, BrokerSecurity, BrokerTls, MailSecurity, MailServer, Mirror, MqttVersion};
use super::patch::mail_address;
use super::{defaults, topics};
use crate::record::{ClockKeeping, KeptBy};

const VERSIONS: &[(&str, MqttVersion)] = &[("5", MqttVersion::V5), ("3.1.1", MqttVersion::V311)];

const SECURITIES: &[(&str, MailSecurity)] = &[
    ("starttls", MailSecurity::StartTls),
    ("tls", MailSecurity::ImplicitTls),
    ("plain", MailSecurity::PlainLoopback),
];

const KEPT_BY: &[(&str, KeptBy)] =
    &[("network", KeptBy::Network), ("battery", KeptBy::Battery), ("host", KeptBy::Host)];

/// Whether the broker's certificate is looked at. Who turns that off writes down what it means.
const CERTIFICATES: &[(&str, bool)] = &[("checked", true), ("anyone may pose as the broker", false)];

/// The broker, where its password lies, and the root of our own topics.
pub(super) struct BrokerDoor {
    pub(super) broker: Broker,
    pub(super) password_file: Option<PathBuf>,
    pub(super) publish_root: Option<String>,
}

/// Reads `[broker]`; `garden` names our session and our topics.
pub(super) fn broker(top: &Table<'_>, garden: Option<&str>) -> BrokerDoor {
    let table = top.table("broker");
    let host = table.take("host", host).unwrap_or_else(|| "localhost".to_owned());
    let security = broker_security(&table);
    let usual_port = match security {
        BrokerSecurity::Plain => defaults::BROKER_PORT,
        BrokerSecurity::Tls(_) => defaults::BROKER_TLS_PORT,
    };
    let port = table.take("port", port).unwrap_or(usual_port);
    let version = table.take("version", one_of(VERSIONS)).unwrap_or(MqttVersion::V5);
    let by_name = garden.map(|name| format!("rindwatch-{name}"));
    let client_id = table.take("client-id", words).or(by_name).unwrap_or_default();
    let user = table.take("user", words);
    let password_file = secret_file(&table, "password", "broker-password", user.is_some());
    let keep_alive = table.take("keep-alive", amount(&DURATION, 5.0..=3600.0));
    let session_expiry = table.take("session-expiry", amount(&DURATION, 3600.0..=5_184_000.0));
    let own_root = table.take("publish-root", publish_root);
    let publish_root = match own_root {
        None if table.has("publish-root") => None,
        root => root.or(garden.map(|name| format!("rindwatch/{name}"))),
    };
    let overhear = table.take("overhear", overhear);
    table.close();
    let broker = Broker {
        overhear,
        host,
        port,
        version,
        client_id,
        security,
        user,
        password: None,
        keep_alive_s: keep_alive.map_or(defaults::KEEP_ALIVE_S, |seconds| seconds.round() as u16),
        session_expiry_s: session_expiry.map_or(defaults::SESSION_EXPIRY_S, |seconds| seconds.round() as u32),
    };
    BrokerDoor { broker, password_file, publish_root }
}

/// Plain or TLS, and what TLS needs.
fn broker_security(table: &Table<'_>) -> BrokerSecurity {
    let tls = table.take("security", one_of(&[("plain", false), ("tls", true)])).unwrap_or(false);
    let ca_file = table.take("ca-file", words).map(PathBuf::from);
    let checked = table.take("certificate", one_of(CERTIFICATES));
    let certificate = table.take("own-certificate", words).map(PathBuf::from);
    let key = table.take("own-key", words).map(PathBuf::from);
    if !tls {
        for key in ["ca-file", "certificate", "own-certificate", "own-key"] {
            if table.has(key) {
                table.complain(key, "is for TLS alone; set security = \"tls\" or take this out");
            }
        }
        return BrokerSecurity::Plain;
    }
    if table.has("own-certificate") != table.has("own-key") {
        let there = if table.has("own-key") { "own-key" } else { "own-certificate" };
        table.complain(there, "own-certificate and own-key go together; set both or neither");
    }
    if checked == Some(false) && ca_file.is_some() {
        table.complain(
            "ca-file",
            "is looked at only where the certificate is checked; take one of the two out",
        );
    }
    BrokerSecurity::Tls(BrokerTls { ca_file, checked: checked.unwrap_or(true), own: certificate.zip(key) })
}

fn publish_root(value: &DeValue<'_>) -> Parsed<String> {
    let root = words(value)?;
    if root.contains(['+', '#']) || root.starts_with(['/', '$']) || root.ends_with('/') {
        return Err("a topic without + and #, like \"rindwatch/long-patch\"".to_owned());
    }
    topics::fault(&root).map_or(Ok(root), |rule| Err(rule.to_owned()))
}

fn overhear(value: &DeValue<'_>) -> Parsed<String> {
    let filter = words(value)?;
    topics::fault(&filter).map_or(Ok(filter), |rule| Err(rule.to_owned()))
}

fn host(value: &DeValue<'_>) -> Parsed<String> {
    let host = words(value)?;
    let fits = host.chars().all(|c| c.is_ascii_alphanumeric() || "-._:".contains(c));
    let address = host.parse::<IpAddr>().is_ok();
    if fits && (address || !host.contains(':')) {
        Ok(host)
    } else {
        Err("a host name or address alone, like \"localhost\"; the port has its own key".to_owned())
    }
}

fn port(value: &DeValue<'_>) -> Parsed<u16> {
    let number = whole(1..=65_535)(value)?;
    u16::try_from(number).map_err(|_| "a port from 1 to 65535 is wanted".to_owned())
}

/// Whether a host can only be this machine.
pub(super) fn is_loopback(host: &str) -> bool {
    host == "localhost" || host.parse::<IpAddr>().is_ok_and(|address| address.is_loopback())
}

/// The file a secret lies in. The secret itself is refused here and never shown.
fn secret_file(table: &Table<'_>, secret: &'static str, credential: &str, has_user: bool) -> Option<PathBuf> {
    let key = if secret == "token" { "token-file" } else { "password-file" };
    // Asked for, so that it is refused in these words and not as an unknown key.
    let _ = table.take(secret, |_| {
        Err::<(), _>(format!(
            "secrets stay out of this file: put it alone into a file that only rindwatch may read and write \
             {key} = \"/path/to/it\", or hand it over as the credential {credential}"
        ))
    });
    let file = table.take(key, words).map(PathBuf::from);
    if file.is_some() && !has_user {
        table.complain(key, "a password needs a user beside it: user = \"...\"");
    }
    file
}

/// Reads `[mail]`, if there: the server and where its password lies.
pub(super) fn mail(top: &Table<'_>) -> Option<(MailServer, Option<PathBuf>)> {
    let table = top.table("mail");
    let host = table.need("host", "the mail server, like \"mail.example.org\"", host);
    let security = table.take("security", one_of(SECURITIES)).unwrap_or(MailSecurity::StartTls);
    let usual_port = match security {
        MailSecurity::StartTls => 587,
        MailSecurity::ImplicitTls => 465,
        MailSecurity::PlainLoopback => 25,
    };
    let port = table.take("port", port).unwrap_or(usual_port);
    let user = table.take("user", words);
    let password_file = secret_file(&table, "password", "mail-password", user.is_some());
    let from = table.need("from", "the sender's address, like \"garden@example.org\"", mail_address);
    let ca_file = table.take("ca-file", words).map(PathBuf::from);
    let open = host.as_deref().is_some_and(|host| !is_loopback(host));
    if security == MailSecurity::PlainLoopback && open {
        table.complain(
            "security",
            "plain is for this machine alone; letters and password would cross the network open. Use \
             \"starttls\" or \"tls\"",
        );
    }
    table.close();
    let (host, from) = host.zip(from)?;
    Some((MailServer { host, port, security, user, password: None, from, ca_file }, password_file))
}

/// Reads `[mirror]`, if there: the server and where its token lies.
pub(super) fn mirror(top: &Table<'_>) -> Option<(Mirror, Option<PathBuf>)> {
    let table = top.table("mirror");
    if table.is_there() && !cfg!(feature = "mirror") {
        table.complain_whole("this build has no mirror; take the section out or build with it");
    }
    let url = table.need("url", "like \"http://127.0.0.1:8086\"", mirror_url);
    let org = table.need("org", "the organisation there", words);
    let bucket = table.need("bucket", "the bucket there", words);
    let token_file = secret_file(&table, "token", "mirror-token", true);
    table.close();
    let ((url, org), bucket) = url.zip(org).zip(bucket)?;
    Some((Mirror { url, org, bucket, token: None }, token_file))
}

fn mirror_url(value: &DeValue<'_>) -> Parsed<String> {
    let url = words(value)?;
    if url.starts_with("https://") {
        return Err("this build copies over http only; run a TLS proxy on this machine and name that, like \
                    \"http://127.0.0.1:8086\""
            .to_owned());
    }
    let rest = url.strip_prefix("http://").unwrap_or_default();
    let authority = rest.split('/').next().unwrap_or_default();
    if authority.contains('@') {
        return Err("no user or password in the address; the token lies in token-file".to_owned());
    }
    if authority.is_empty() || url.contains(char::is_whitespace) || url.contains(['?', '#']) {
        return Err("an address is wanted, like \"http://127.0.0.1:8086\"".to_owned());
    }
    Ok(url.trim_end_matches('/').to_owned())
}

/// Reads `[clock]`: who keeps this machine's clock.
pub(super) fn clock(top: &Table<'_>) -> ClockKeeping {
    let table = top.table("clock");
    let by = table.take("kept-by", one_of(KEPT_BY)).unwrap_or_default();
    let set_file = table.take("set-file", |value| {
        let file = PathBuf::from(words(value)?);
        // /run/user is hidden from the unit, with all homes.
        let in_run = file.starts_with("/run") && file != Path::new("/run") && !file.starts_with("/run/user");
        if in_run && file.components().all(|part| part != Component::ParentDir) {
            Ok(file)
        } else {
            Err("a file under /run, which is empty at each boot, and not in /run/user is wanted, like \"/run/clock-is-set\""
                .to_owned())
        }
    });
    table.close();
    ClockKeeping { by, set_file }
}

/// Reads `[page]`: where it listens.
pub(super) fn page(top: &Table<'_>) -> Option<SocketAddr> {
    let table = top.table("page");
    let listen = table.take("listen", |value| {
        let text = words(value)?;
        if text == "off" {
            return Ok(None);
        }
        let rule = "an address and port of this machine, like \"127.0.0.1:8737\", or \"off\"";
        let address: SocketAddr = text.parse().map_err(|_| rule.to_owned())?;
        if address.ip().is_loopback() {
            Ok(Some(address))
        } else {
            Err("the page has no password yet, so it listens on this machine alone: \"127.0.0.1:8737\""
                .to_owned())
        }
    });
    table.close();
    listen.unwrap_or(Some(defaults::PAGE))
}
