//! Encryption of connections to PostgreSQL.

use super::tls_stream::Connector;
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, ring, verify_tls12_signature, verify_tls13_signature};
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::{ClientConfig, DigitallySignedStruct, Error, RootCertStore, SignatureScheme};
use std::sync::Arc;

/// How the server must show who it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Trust {
    /// A certificate for its host name, from an authority that the system trusts.
    System,
    /// Not at all: the line is encrypted, that is all.
    Anyone,
}

/// A connector; what is wrong with the system's certificates when there is none.
pub(super) fn connector(trust: Trust) -> Result<Connector, String> {
    let provider = Arc::new(ring::default_provider());
    let config = ClientConfig::builder_with_provider(Arc::clone(&provider))
        .with_safe_default_protocol_versions()
        .map_err(|error| error.to_string())?;
    let config = match trust {
        Trust::System => config.with_root_certificates(authorities()?),
        Trust::Anyone => {
            config.dangerous().with_custom_certificate_verifier(Arc::new(AnyCertificate(provider)))
        }
    };
    Ok(Connector(Arc::new(config.with_no_client_auth())))
}

/// Those of the system; `SSL_CERT_FILE` names others.
fn authorities() -> Result<RootCertStore, String> {
    let found = rustls_native_certs::load_native_certs();
    if found.certs.is_empty() {
        let why: Vec<String> = found.errors.iter().map(ToString::to_string).collect();
        return Err(format!("no certificate authority of the system could be read: {}", why.join("; ")));
    }
    let mut authorities = RootCertStore::empty();
    authorities.add_parsable_certificates(found.certs);
    Ok(authorities)
}

/// Accepts every certificate, as `sslmode=prefer` does.
#[derive(Debug)]
struct AnyCertificate(Arc<CryptoProvider>);

impl ServerCertVerifier for AnyCertificate {
    fn verify_server_cert(
        &self,
        _certificate: &CertificateDer<'_>,
        _between: &[CertificateDer<'_>],
        _server: &ServerName<'_>,
        _ocsp: &[u8],
        _now: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        Ok(ServerCertVerified::assertion())
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls12_signature(message, certificate, signature, &self.0.signature_verification_algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls13_signature(message, certificate, signature, &self.0.signature_verification_algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.0.signature_verification_algorithms.supported_schemes()
    }
}
