//! How the program asks others over HTTP: webhooks, time-series servers, an address that misses its signs of life.

use reqwest::{Client, ClientBuilder};

/// Begins a client.
///
/// It speaks HTTP/1 alone: the HTTP/2 of this client queues without bound what a server sends (RUSTSEC-2026-0258), and is mended no
/// more. `clippy.toml` refuses a client that is begun elsewhere.
pub(crate) fn client() -> ClientBuilder {
    #[expect(clippy::disallowed_methods, reason = "here is where it is limited")]
    Client::builder().http1_only()
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use tokio::{net::TcpListener, time::timeout};

    use super::*;

    /// Ends a test that would wait for ever; no test depends on its length.
    const PATIENCE: Duration = Duration::from_secs(60);

    #[tokio::test]
    async fn servers_are_asked_for_nothing_but_http_1() {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let client = client().build().unwrap();
        let asked = tokio::spawn(async move { client.get(format!("https://{address}/")).send().await });
        let (stream, _) = timeout(PATIENCE, listener.accept()).await.unwrap().unwrap();
        let greeting = tokio_rustls::LazyConfigAcceptor::new(rustls::server::Acceptor::default(), stream);
        let greeting = timeout(PATIENCE, greeting).await.unwrap().unwrap();
        let wanted: Vec<Vec<u8>> = greeting
            .client_hello()
            .alpn()
            .into_iter()
            .flatten()
            .map(<[u8]>::to_vec)
            .collect();
        assert_eq!(wanted, [b"http/1.1".to_vec()]);
        drop(greeting);
        asked.await.unwrap().unwrap_err();
    }
}
