//! A server on this machine with a certificate of its own authority: packed lines get through if the file names it, and only
//! then.

use super::*;
use flate2::read::GzDecoder;
use rcgen::{BasicConstraints, Certificate, CertificateParams, IsCa, KeyPair};
use std::io::Read as _;
use std::sync::Arc;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpListener;
use tokio_rustls_of_tests::TlsAcceptor;
use tokio_rustls_of_tests::rustls::{self, PrivateKey, ServerConfig};

struct Authority {
    certificate: Certificate,
    key: KeyPair,
}

impl Authority {
    fn new() -> Self {
        let mut params = CertificateParams::new(Vec::new()).unwrap();
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let key = KeyPair::generate().unwrap();
        Self { certificate: params.self_signed(&key).unwrap(), key }
    }

    /// What a server on this machine needs.
    fn acceptor(&self) -> TlsAcceptor {
        let key = KeyPair::generate().unwrap();
        let params = CertificateParams::new(vec!["localhost".to_owned()]).unwrap();
        let certificate = params.signed_by(&key, &self.certificate, &self.key).unwrap();
        let chain = vec![rustls::Certificate(certificate.der().to_vec())];
        let config = ServerConfig::builder()
            .with_safe_defaults()
            .with_no_client_auth()
            .with_single_cert(chain, PrivateKey(key.serialize_der()))
            .unwrap();
        TlsAcceptor::from(Arc::new(config))
    }
}

/// Takes one request and says that it has it; gives its head and its unpacked body. `None`: no request came through.
async fn take_one(listener: TcpListener, acceptor: TlsAcceptor) -> Option<(String, String)> {
    let (stream, _) = listener.accept().await.unwrap();
    let mut stream = acceptor.accept(stream).await.ok()?;
    let mut bytes = Vec::new();
    loop {
        let mut part = [0; 4096];
        let count = stream.read(&mut part).await.ok()?;
        bytes.extend_from_slice(&part[..count]);
        let Some(end) = bytes.windows(4).position(|four| four == b"\r\n\r\n") else {
            if count == 0 {
                return None;
            }
            continue;
        };
        let head = String::from_utf8_lossy(&bytes[..end]).to_lowercase();
        let length = head.split("content-length: ").nth(1).unwrap().lines().next().unwrap();
        if bytes.len() < end + 4 + length.parse::<usize>().unwrap() {
            continue;
        }
        stream.write_all(b"HTTP/1.1 204 No Content\r\nconnection: close\r\n\r\n").await.unwrap();
        stream.shutdown().await.unwrap();
        let mut body = String::new();
        GzDecoder::new(&bytes[end + 4..]).read_to_string(&mut body).unwrap();
        return Some((head, body));
    }
}

/// Writes to a server of `authority` by a file that names the certificates in `ca`; gives what came of it at both ends.
async fn written(
    authority: &Authority,
    ca: Option<&str>,
) -> (Result<(), WriteError>, Option<(String, String)>) {
    let folder = tempfile::tempdir().unwrap();
    let file = ca.map(|text| {
        let file = folder.path().join("ca.pem");
        std::fs::write(&file, text).unwrap();
        file
    });
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let server = tokio::spawn(take_one(listener, authority.acceptor()));
    let writer = InfluxWriter::new(Server {
        name: "central".to_owned(),
        url: format!("https://localhost:{port}"),
        org: "plant".to_owned(),
        bucket: "line 2".to_owned(),
        token_file: None,
        ca: file,
        send: None,
        behind_most: std::time::Duration::from_secs(900),
    });
    let lines = "reading,line=2,signal=TT-310,run=7 value=182,quality=0i 1795572000250\n".repeat(200);
    let outcome = writer.write(lines).await;
    if outcome.is_err() {
        server.abort();
        return (outcome, None);
    }
    (outcome, server.await.unwrap())
}

#[tokio::test]
async fn packed_lines_reach_a_server_of_the_plants_own_authority() {
    let authority = Authority::new();
    let other = Authority::new();
    // Its certificate may be one of several in the file.
    let both = format!("{}{}", other.certificate.pem(), authority.certificate.pem());
    let (outcome, taken) = written(&authority, Some(&both)).await;
    assert_eq!(outcome, Ok(()));
    let (head, body) = taken.unwrap();
    assert!(head.starts_with("post /api/v2/write?") && head.contains("precision=ms"), "{head}");
    assert!(head.contains("content-encoding: gzip"), "{head}");
    let length: usize =
        head.split("content-length: ").nth(1).unwrap().lines().next().unwrap().parse().unwrap();
    assert!(length * 10 < body.len(), "{length} of {}", body.len());
    assert_eq!(body.lines().count(), 200);
}

#[tokio::test]
async fn a_server_of_another_authority_gets_nothing() {
    let (authority, other) = (Authority::new(), Authority::new());
    for ca in [None, Some(other.certificate.pem())] {
        let (outcome, taken) = written(&authority, ca.as_deref()).await;
        let Err(WriteError::Unreachable(why)) = outcome else { panic!("{outcome:?}") };
        assert!(why.to_lowercase().contains("certificate"), "{why}");
        assert_eq!(taken, None);
    }
}

#[tokio::test]
async fn a_file_without_certificates_is_told_with_its_name() {
    let authority = Authority::new();
    for wrong in ["", "no certificate", "-----BEGIN CERTIFICATE-----\n!\n-----END CERTIFICATE-----\n"] {
        let (outcome, _) = written(&authority, Some(wrong)).await;
        let Err(WriteError::Refused(why)) = outcome else { panic!("{wrong:?}: {outcome:?}") };
        assert!(why.contains("ca.pem") && why.contains("PEM"), "{why}");
    }
}
