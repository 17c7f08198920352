//! Certificate and key of the page: the plant's own files, or a pair of our own making that is kept in the data folder.

use super::{Doors, keep};
use crate::clock::Clock;
use setward_config::line::{Line, PageTls};
use sha2::{Digest as _, Sha256};
use std::fmt;
use std::fs;
use std::net::IpAddr;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError};
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject as _;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};

/// Files of a pair of our own making, in the data folder.
const OWN: [&str; 2] = ["page-certificate.pem", "page-key.pem"];
/// What stands before the names in the file of a certificate of our own making.
const NAMES: &str = "# names: ";
/// For so many years it is good: there is nobody who would renew it, and browsers ask about it once.
const GOOD_YEARS: i32 = 10;

/// A certificate that is in force.
#[derive(Clone)]
pub(crate) struct Certificate {
    config: Arc<ServerConfig>,
    /// SHA-256 of it, as browsers show it.
    pub(crate) fingerprint: String,
    /// Whether we made it ourselves.
    pub(crate) is_own: bool,
}

impl fmt::Debug for Certificate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Certificate").field("fingerprint", &self.fingerprint).finish_non_exhaustive()
    }
}

impl Certificate {
    /// The one that `line` names, or that is made for it; `None` if its page is plain. `listens` is where its page does.
    ///
    /// # Errors
    /// What is wrong with the files, and what to do.
    pub(crate) fn of(line: &Line, listens: IpAddr) -> Result<Option<Self>, String> {
        let (certificate, key, is_own) = match &line.access.tls {
            None => return Ok(None),
            Some(PageTls::Files { certificate, key }) => (certificate.clone(), key.clone(), false),
            Some(PageTls::SelfMade) => {
                let [certificate, key] = own_pair(line, listens)?;
                (certificate, key, true)
            }
        };
        Self::read(&certificate, &key, is_own).map(Some)
    }

    fn read(certificate: &Path, key: &Path, is_own: bool) -> Result<Self, String> {
        let wrong = |file: &Path, why: &dyn fmt::Display| format!("{}: {why}", file.display());
        let chain: Vec<CertificateDer<'static>> = CertificateDer::pem_file_iter(certificate)
            .and_then(Iterator::collect)
            .map_err(|error| wrong(certificate, &format!("no certificates in PEM form: {error}")))?;
        let first = chain.first().ok_or_else(|| wrong(certificate, &"it holds no certificate"))?;
        let fingerprint = shown(&Sha256::digest(first));
        let about = fs::metadata(key).map_err(|error| wrong(key, &error))?;
        if about.permissions().mode() & 0o077 != 0 {
            return Err(wrong(key, &"others can read the page's key; make it its owner's only, `chmod 600`"));
        }
        let key_text = PrivateKeyDer::from_pem_file(key)
            .map_err(|error| wrong(key, &format!("no private key in PEM form: {error}")))?;
        let builder = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
            .with_safe_default_protocol_versions()
            .map_err(|error| error.to_string())?;
        let mut config =
            builder.with_no_client_auth().with_single_cert(chain, key_text).map_err(|error| {
                format!("{} and {} do not belong together: {error}", certificate.display(), key.display())
            })?;
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        Ok(Self { config: Arc::new(config), fingerprint, is_own })
    }
}

/// "AB:CD:..", as browsers show it.
fn shown(hash: &[u8]) -> String {
    hash.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(":")
}

/// The files of a pair of our own, made unless there is one for these names.
fn own_pair(line: &Line, listens: IpAddr) -> Result<[PathBuf; 2], String> {
    let names = names(line, listens);
    let [certificate, key] = OWN.map(|name| line.data_dir.join(name));
    let head = format!("{NAMES}{}", names.join(", "));
    let is_made = key.exists()
        && fs::read_to_string(&certificate).is_ok_and(|text| text.lines().next() == Some(head.as_str()));
    if !is_made {
        let failed = |error: &dyn fmt::Display| format!("no certificate can be made for the page: {error}");
        let mut params = rcgen::CertificateParams::new(names).map_err(|error| failed(&error))?;
        let year = year_now();
        params.not_before = rcgen::date_time_ymd(year - 1, 1, 1);
        params.not_after = rcgen::date_time_ymd(year + GOOD_YEARS, 1, 1);
        params.distinguished_name = rcgen::DistinguishedName::new();
        params.distinguished_name.push(rcgen::DnType::CommonName, line.name.as_str());
        let pair = rcgen::KeyPair::generate().map_err(|error| failed(&error))?;
        let made = params.self_signed(&pair).map_err(|error| failed(&error))?;
        fs::create_dir_all(&line.data_dir).map_err(|error| failed(&error))?;
        keep::private(&key, pair.serialize_pem().as_bytes()).map_err(|error| failed(&error))?;
        let text = format!("{head}\n{}", made.pem());
        keep::private(&certificate, text.as_bytes()).map_err(|error| failed(&error))?;
    }
    Ok([certificate, key])
}

fn year_now() -> i32 {
    let now =
        jiff::Timestamp::from_millisecond(Clock::system().utc().0).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    i32::from(now.to_zoned_datetime(jiff::tz::TimeZone::UTC).year())
}

/// Every name under which the page is opened.
fn names(line: &Line, listens: IpAddr) -> Vec<String> {
    let mut names = line.access.names.clone();
    names.extend(["localhost", "127.0.0.1", "::1"].map(str::to_owned));
    if !listens.is_unspecified() {
        names.push(listens.to_string());
    }
    names.sort();
    names.dedup();
    names
}

impl Doors {
    /// From the next connection on the page shows this certificate.
    pub(crate) fn show_certificate(&self, certificate: Option<Certificate>) {
        *self.certificate.write().unwrap_or_else(PoisonError::into_inner) = certificate;
    }

    /// SHA-256 of the page's certificate, as browsers show it.
    pub(crate) fn fingerprint(&self) -> Option<String> {
        let certificate = self.certificate.read().unwrap_or_else(PoisonError::into_inner);
        certificate.as_ref().map(|certificate| certificate.fingerprint.clone())
    }

    /// What makes a connection an encrypted one; `None` on a plain page.
    pub(crate) fn acceptor(&self) -> Option<TlsAcceptor> {
        let certificate = self.certificate.read().unwrap_or_else(PoisonError::into_inner);
        certificate.as_ref().map(|certificate| TlsAcceptor::from(Arc::clone(&certificate.config)))
    }
}
