//! TLS to the broker: whom we trust, and what we show of ourselves.

use std::sync::Arc;

use rumqttc::{TlsConfiguration, Transport};
use rustls::client::WebPkiServerVerifier;
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, ring, verify_tls12_signature, verify_tls13_signature};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName, UnixTime};
use rustls::{ClientConfig, DigitallySignedStruct, SignatureScheme};

use crate::authorities;
use crate::settings::garden::{BrokerSecurity, BrokerTls};

/// The way to the broker as the settings want it.
///
/// # Errors
/// One line: a file that cannot be used.
pub(super) fn transport(security: &BrokerSecurity) -> Result<Transport, String> {
    match security {
        BrokerSecurity::Plain => Ok(Transport::Tcp),
        BrokerSecurity::Tls(tls) => Ok(Transport::Tls(TlsConfiguration::Rustls(Arc::new(client(tls)?)))),
    }
}

fn client(tls: &BrokerTls) -> Result<ClientConfig, String> {
    let provider = Arc::new(ring::default_provider());
    let unfit = |error: rustls::Error| format!("TLS to the broker cannot be set up: {error}");
    let builder = ClientConfig::builder_with_provider(Arc::clone(&provider))
        .with_safe_default_protocol_versions()
        .map_err(unfit)?;
    let verifier: Arc<dyn ServerCertVerifier> = if tls.checked {
        let roots = Arc::new(authorities::roots("broker", "the broker's", tls.ca_file.as_deref())?);
        WebPkiServerVerifier::builder_with_provider(roots, provider)
            .build()
            .map_err(|error| format!("TLS to the broker cannot be set up: {error}"))?
    } else {
        Arc::new(Anyone(provider))
    };
    // The one way to hand in a verifier; that of the library stays in place unless the settings say so.
    let builder = builder.dangerous().with_custom_certificate_verifier(verifier);
    let Some((certificate, key)) = &tls.own else { return Ok(builder.with_no_client_auth()) };
    let chain = authorities::certificates("broker", "own-certificate", certificate)?;
    let secret = PrivateKeyDer::from_pem_file(key)
        .map_err(|error| format!("own-key = {}: no private key in PEM form ({error})", key.display()))?;
    builder
        .with_client_auth_cert(chain, secret)
        .map_err(|error| format!("own-certificate and own-key of [broker] do not fit together: {error}"))
}

/// Takes any certificate; only the signatures of the handshake are checked.
#[derive(Debug)]
struct Anyone(Arc<CryptoProvider>);

impl ServerCertVerifier for Anyone {
    fn verify_server_cert(
        &self,
        _end_entity: &CertificateDer<'_>,
        _intermediates: &[CertificateDer<'_>],
        _server_name: &ServerName<'_>,
        _ocsp_response: &[u8],
        _now: UnixTime,
    ) -> Result<ServerCertVerified, rustls::Error> {
        Ok(ServerCertVerified::assertion())
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        verify_tls12_signature(message, certificate, signed, &self.0.signature_verification_algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        verify_tls13_signature(message, certificate, signed, &self.0.signature_verification_algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.0.signature_verification_algorithms.supported_schemes()
    }
}
