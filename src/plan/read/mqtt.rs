//! The broker: `[mqtt]` and `[mqtt.tls]`. Secrets are named here, never read and never written.

use std::path::{Path, PathBuf};

use crate::plan::defaults;
use crate::plan::problem::{Kind, Problem};
use crate::plan::tree::{Field, Table};
use crate::plan::{ClientCertificate, FreshBy, Mqtt, Requests, Secret, Tls};

/// Longest name of a credential in bytes: that of a file's name on Linux.
const LONGEST_CREDENTIAL: usize = 255;

/// Reads `[mqtt]`. `plan_path`: where the plan was read from; files are looked for beside it.
pub(super) fn mqtt(plan: &Table<'_>, plan_path: Option<&Path>, notes: &mut Vec<String>) -> Option<Mqtt> {
    let t = plan.get("mqtt")?.table("`mqtt`")?;
    let beside = |path: &str| -> PathBuf {
        plan_path.and_then(Path::parent).map_or_else(|| path.into(), |folder| folder.join(path))
    };
    let host = t.need("host", "host = \"127.0.0.1\"").and_then(|f| f.text("127.0.0.1"));
    let tls = t.get("tls").map(|f| f.table("`tls` of `mqtt`").and_then(|t| tls(&t, &beside)));
    let usual = if tls.is_some() { defaults::MQTT_TLS_PORT } else { defaults::MQTT_PORT };
    let port = t.get("port").map_or(Some(usual), |f| f.count(1, 65_535, usual));
    let user = t.get("user").and_then(|f| f.text("lampkeep")).map(str::to_owned);
    let named = secret(&t, "password-file", "password-credential", &beside);
    let keep_alive = t.get("keep-alive").map_or(Some(defaults::KEEP_ALIVE), |f| f.duration(5.0, 3600.0));
    let requests = requests(&t);
    refuse_secrets(&t, &["password"], "password-file = \"/etc/lampkeep/mqtt-password\"");
    t.finish();
    let password = match named {
        Named::Nothing => None,
        Named::Wrong => return None,
        Named::At(secret, key) => {
            if user.is_none() && !t.has("user") {
                let said = format!("`mqtt` has a `{key}` but no `user`");
                t.report(
                    Problem::at(Kind::MissingKey, t.place(), said)
                        .label("`user` is missing here")
                        .help("add `user = \"lampkeep\"`"),
                );
            }
            Some(secret)
        }
    };
    let tls = match tls {
        Some(tls) => Some(tls?),
        None => None,
    };
    let (host, requests) = (host?.to_owned(), requests?);
    notes.extend(in_the_open(&host, tls.is_some(), password.is_some(), requests.is_some()));
    Some(Mqtt {
        host,
        port: u16::try_from(port?).ok()?,
        user,
        password,
        tls,
        keep_alive: keep_alive?,
        requests,
    })
}

/// What a person should know of a connection that others on the network can read.
fn in_the_open(host: &str, tls: bool, password: bool, requests: bool) -> Option<String> {
    let here = host == "localhost" || host == "::1" || host.starts_with("127.");
    let what = match (password, requests) {
        _ if here || tls => return None,
        (true, _) => "the password for the broker",
        (false, true) => "every request",
        (false, false) => return None,
    };
    Some(format!(
        "{what} crosses the network unprotected: give `[mqtt]` a `tls`, or use a broker on this machine"
    ))
}

/// Reads `[mqtt.tls]`.
fn tls(t: &Table<'_>, beside: &impl Fn(&str) -> PathBuf) -> Option<Tls> {
    let ca = t.need("ca-file", "ca-file = \"/etc/lampkeep/ca.pem\"").and_then(|f| f.text("ca.pem"));
    let certificate_field = t.get("certificate-file");
    let certificate = certificate_field.as_ref().map(|f| f.text("client.pem"));
    let named = secret(t, "key-file", "key-credential", beside);
    refuse_secrets(t, &["key", "password"], "key-file = \"/etc/lampkeep/client.key\"");
    t.finish();
    let client = match (certificate, named) {
        (_, Named::Wrong) => return None,
        (None, Named::Nothing) => None,
        (Some(certificate), Named::At(key, _)) => {
            Some(ClientCertificate { certificate: beside(certificate?), key })
        }
        (Some(_), Named::Nothing) => {
            lonely(t, "certificate-file", "key-file", "key-file = \"/etc/lampkeep/client.key\"");
            return None;
        }
        (None, Named::At(_, key)) => {
            lonely(t, key, "certificate-file", "certificate-file = \"/etc/lampkeep/client.pem\"");
            return None;
        }
    };
    Some(Tls { ca: beside(ca?), client })
}

fn lonely(t: &Table<'_>, has: &str, lacks: &str, example: &str) {
    let said = format!("{} has a `{has}` but no `{lacks}`", t.owner());
    t.report(
        Problem::at(Kind::MissingKey, t.place(), said)
            .label(format!("`{lacks}` is missing here"))
            .help(format!("add `{example}`")),
    );
}

/// What two keys name of which one at most may be there.
enum Named {
    Nothing,
    At(Secret, &'static str),
    /// Reported already.
    Wrong,
}

fn secret(
    t: &Table<'_>,
    file_key: &'static str,
    credential_key: &'static str,
    beside: &impl Fn(&str) -> PathBuf,
) -> Named {
    match (t.get(file_key), t.get(credential_key)) {
        (None, None) => Named::Nothing,
        (Some(file), Some(credential)) => {
            let said = format!("{} has both `{file_key}` and `{credential_key}`", t.owner());
            t.report(
                Problem::at(Kind::Conflict, credential.key_place(), said)
                    .label("here")
                    .also(file.key_place(), "and here")
                    .help(format!("keep `{credential_key}` where the service manager hands it over")),
            );
            Named::Wrong
        }
        (Some(file), None) => match file.text("/etc/lampkeep/secret") {
            Some(path) => Named::At(Secret::File(beside(path)), file_key),
            None => Named::Wrong,
        },
        (None, Some(field)) => match credential(&field) {
            Some(name) => Named::At(Secret::Credential(name), credential_key),
            None => Named::Wrong,
        },
    }
}

/// A credential's name, which is a file's and so leads nowhere else.
fn credential(field: &Field<'_>) -> Option<String> {
    let name = field.text("mqtt-password")?;
    let good = !name.is_empty()
        && name.len() <= LONGEST_CREDENTIAL
        && name.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_.".contains(&b))
        && !name.starts_with('.');
    if !good {
        let said = format!("`{}` of {} cannot be the name of a credential", field.key(), field.owner());
        field.wrong(
            Kind::BadName,
            said,
            "write the name given in `LoadCredential=`, such as \"mqtt-password\"",
        );
    }
    good.then(|| name.to_owned())
}

/// Refuses what must not stand in a plan, which everyone may read.
fn refuse_secrets(t: &Table<'_>, keys: &[&'static str], example: &str) {
    // Asked for only where it is there: a slip in another key is never corrected to one of these.
    for field in keys.iter().filter(|key| t.has(key)).filter_map(|key| t.get(key)) {
        let said = format!(
            "{} has a `{}`: a plan is read by many, shown in messages and copied, so no secret may stand in it",
            t.owner(),
            field.key()
        );
        let help = format!(
            "put it into a file of mode 0600 and write `{example}`; then change it, for it has been seen"
        );
        t.report(Problem::at(Kind::Secret, field.key_place(), said).label("not here").help(help));
    }
}

/// Reads what is said of requests; `Some(None)` where they stay off.
fn requests(t: &Table<'_>) -> Option<Option<Requests>> {
    let on = t.get("requests").map_or(Some(false), |f| f.truth());
    let fresh = t.get("fresh").map_or(Some(defaults::FRESH), |f| f.duration(1.0, 60.0));
    let by = t
        .get("fresh-by")
        .map_or(Some(FreshBy::Clock), |f| f.word(&[("clock", FreshBy::Clock), ("expiry", FreshBy::Expiry)]));
    let (on, fresh, by) = (on?, fresh?, by?);
    Some(on.then_some(Requests { fresh, by }))
}
