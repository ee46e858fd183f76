//! The stream that a PostgreSQL connection is spoken over once it is encrypted.
//!
//! A password is bound to it by a hash of the server's certificate (SCRAM with `tls-server-end-point`, RFC 5929, section 4.1):
//! who listens in between with another certificate cannot pass the password on, even where no authority is asked for.

use ::postgres::Socket;
use ::postgres::tls::{ChannelBinding, MakeTlsConnect, TlsConnect, TlsStream};
use rustls::ClientConfig;
use rustls::pki_types::ServerName;
use sha2::{Digest, Sha256, Sha384, Sha512};
use std::convert::Infallible;
use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio_rustls::TlsConnector;

/// Encrypts connections as its configuration says.
#[derive(Clone)]
pub(super) struct Connector(pub(super) Arc<ClientConfig>);

impl MakeTlsConnect<Socket> for Connector {
    type Stream = Encrypted;
    type TlsConnect = ToHost;
    type Error = Infallible;

    fn make_tls_connect(&mut self, host: &str) -> Result<ToHost, Infallible> {
        Ok(ToHost { connector: Arc::clone(&self.0).into(), host: host.to_owned() })
    }
}

/// A connector with the host that the certificate must name.
pub(super) struct ToHost {
    connector: TlsConnector,
    host: String,
}

impl TlsConnect<Socket> for ToHost {
    type Stream = Encrypted;
    type Error = io::Error;
    type Future = Pin<Box<dyn Future<Output = io::Result<Encrypted>> + Send>>;

    fn connect(self, socket: Socket) -> Self::Future {
        Box::pin(async move {
            let host = ServerName::try_from(self.host)
                .map_err(|error| io::Error::new(io::ErrorKind::InvalidInput, error))?;
            self.connector.connect(host, socket).await.map(Encrypted)
        })
    }
}

/// An encrypted connection.
pub(super) struct Encrypted(tokio_rustls::client::TlsStream<Socket>);

impl TlsStream for Encrypted {
    fn channel_binding(&self) -> ChannelBinding {
        let certificate = self.0.get_ref().1.peer_certificates().and_then(<[_]>::first);
        certificate
            .and_then(|certificate| end_point(certificate))
            .map_or_else(ChannelBinding::none, ChannelBinding::tls_server_end_point)
    }
}

impl AsyncRead for Encrypted {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.0).poll_read(context, buffer)
    }
}

impl AsyncWrite for Encrypted {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.0).poll_write(context, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.0).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.0).poll_shutdown(context)
    }
}

// Contents of object identifiers (RFC 8017, appendix C; RFC 5758, section 3.2).
const SHA1_RSA: &[u8] = &[0x2a, 0x86, 0x48, 0x86, 0xf7, 0x0d, 0x01, 0x01, 0x05];
const SHA256_RSA: &[u8] = &[0x2a, 0x86, 0x48, 0x86, 0xf7, 0x0d, 0x01, 0x01, 0x0b];
const SHA384_RSA: &[u8] = &[0x2a, 0x86, 0x48, 0x86, 0xf7, 0x0d, 0x01, 0x01, 0x0c];
const SHA512_RSA: &[u8] = &[0x2a, 0x86, 0x48, 0x86, 0xf7, 0x0d, 0x01, 0x01, 0x0d];
const SHA256_ECDSA: &[u8] = &[0x2a, 0x86, 0x48, 0xce, 0x3d, 0x04, 0x03, 0x02];
const SHA384_ECDSA: &[u8] = &[0x2a, 0x86, 0x48, 0xce, 0x3d, 0x04, 0x03, 0x03];
const SHA512_ECDSA: &[u8] = &[0x2a, 0x86, 0x48, 0xce, 0x3d, 0x04, 0x03, 0x04];

/// The hash that a certificate is known by: that of its own signature, SHA-256 in place of SHA-1; `None` where the signature names no
/// hash that is known.
fn end_point(certificate: &[u8]) -> Option<Vec<u8>> {
    match signature_algorithm(certificate)? {
        SHA1_RSA | SHA256_RSA | SHA256_ECDSA => Some(Sha256::digest(certificate).to_vec()),
        SHA384_RSA | SHA384_ECDSA => Some(Sha384::digest(certificate).to_vec()),
        SHA512_RSA | SHA512_ECDSA => Some(Sha512::digest(certificate).to_vec()),
        _ => None,
    }
}

/// `Certificate ::= SEQUENCE { tbsCertificate SEQUENCE, signatureAlgorithm SEQUENCE { algorithm OBJECT IDENTIFIER … }, … }`
/// (RFC 5280, section 4.1).
fn signature_algorithm(certificate: &[u8]) -> Option<&[u8]> {
    const SEQUENCE: u8 = 0x30;
    const OBJECT_IDENTIFIER: u8 = 0x06;
    let (certificate, _) = element(SEQUENCE, certificate)?;
    let (_, after_signed_part) = element(SEQUENCE, certificate)?;
    let (algorithm, _) = element(SEQUENCE, after_signed_part)?;
    element(OBJECT_IDENTIFIER, algorithm).map(|(identifier, _)| identifier)
}

/// Content of an element of DER with this tag, and what stands behind it.
fn element(tag: u8, bytes: &[u8]) -> Option<(&[u8], &[u8])> {
    let (&first, &length, rest) = match bytes {
        [first, length, rest @ ..] => (first, length, rest),
        _ => return None,
    };
    // From 128 on, the lower bits say how many bytes the length has.
    let count = if length < 0x80 { 0 } else { usize::from(length & 0x7f) };
    let (long, rest) = rest.split_at_checked(count).filter(|_| first == tag && count <= 4)?;
    let length = match count {
        0 => usize::from(length),
        _ => long.iter().fold(0, |sum, byte| (sum << 8) | usize::from(*byte)),
    };
    rest.split_at_checked(length)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn der(tag: u8, content: &[u8]) -> Vec<u8> {
        let length = u16::try_from(content.len()).unwrap().to_be_bytes();
        let head = match content.len() {
            0..128 => vec![tag, length[1]],
            128..256 => vec![tag, 0x81, length[1]],
            _ => vec![tag, 0x82, length[0], length[1]],
        };
        [&head, content].concat()
    }

    /// What is signed has `size` bytes.
    fn certificate(algorithm: &[u8], size: usize) -> Vec<u8> {
        let algorithm = der(0x30, &[der(0x06, algorithm), der(0x05, &[])].concat());
        der(0x30, &[der(0x30, &vec![0x30; size]), algorithm, der(0x03, &[0; 20])].concat())
    }

    #[test]
    fn a_certificate_is_known_by_the_hash_of_its_signature() {
        for (algorithm, length) in [
            (SHA1_RSA, Some(32)),
            (SHA256_RSA, Some(32)),
            (SHA256_ECDSA, Some(32)),
            (SHA384_RSA, Some(48)),
            (SHA384_ECDSA, Some(48)),
            (SHA512_RSA, Some(64)),
            (SHA512_ECDSA, Some(64)),
            // Ed25519, RFC 8410, section 3: no hash by itself.
            (&[0x2b, 0x65, 0x70], None),
        ] {
            for size in [0, 100, 200, 1000] {
                let certificate = certificate(algorithm, size);
                assert_eq!(signature_algorithm(&certificate), Some(algorithm), "{size}");
                assert_eq!(end_point(&certificate).map(|hash| hash.len()), length, "{algorithm:x?}");
            }
        }
    }

    #[test]
    fn what_is_no_certificate_is_known_by_nothing() {
        let whole = certificate(SHA256_RSA, 200);
        for end in 0..whole.len() {
            assert_eq!(signature_algorithm(&whole[..end]), None, "{end}");
        }
        for bytes in
            [&[0x30, 0xff, 0xff][..], &[0x30, 0x80], &[0x30, 0x88, 255, 255, 255, 255, 255, 255, 255, 255, 1]]
        {
            assert_eq!(signature_algorithm(bytes), None);
        }
    }
}
