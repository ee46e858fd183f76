//! Encryption of connections to PostgreSQL.

use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, ring, verify_tls12_signature, verify_tls13_signature};
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::{ClientConfig, DigitallySignedStruct, Error, SignatureScheme};
use std::sync::Arc;
use tokio_postgres_rustls::MakeRustlsConnect;

/// How the server must show who it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Trust {
    /// A certificate for its host name, from an authority that the system trusts.
    System,
    /// Not at all: the line is encrypted, that is all.
    Anyone,
}

/// A connector; what is wrong with the system's certificates when there is none.
pub(super) fn connector(trust: Trust) -> Result<MakeRustlsConnect, String> {
    if trust == Trust::System {
        // Another part of the program may have chosen one before: any will do.
        let _ = ring::default_provider().install_default();
        // `SSL_CERT_FILE` names other authorities than the system's.
        return MakeRustlsConnect::with_native_certs().map(|(connector, _)| connector).map_err(|errors| {
            let why: Vec<String> = errors.iter().map(ToString::to_string).collect();
            format!("no certificate authority of the system could be read: {}", why.join("; "))
        });
    }
    let config = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|error| error.to_string())?
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(AnyCertificate(ring::default_provider())))
        .with_no_client_auth();
    Ok(MakeRustlsConnect::new(config))
}

/// Accepts every certificate, as `sslmode=prefer` does.
#[derive(Debug)]
struct AnyCertificate(CryptoProvider);

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
