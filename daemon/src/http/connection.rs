//! Connections: how many, how slow, how large, and secured or not. A page that listens for hours is no slow one: what is limited is
//! how long a request may take to arrive, and how long an answer may find nobody who takes it.

use std::{
    collections::BTreeMap,
    io,
    net::IpAddr,
    pin::Pin,
    sync::{Arc, Mutex, PoisonError},
    task::{Context, Poll, ready},
    time::Duration,
};

use axum::{
    Router,
    body::{Body, Bytes},
    extract::Request,
};
use futures_util::{StreamExt, stream};
use hyper::{server::conn::http1, service::service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::{
    io::{AsyncRead, AsyncWrite, ReadBuf},
    net::TcpListener,
    sync::Semaphore,
    time::{Instant, Sleep, sleep, timeout, timeout_at},
};
use tokio_rustls::TlsAcceptor;
use tokio_util::{sync::CancellationToken, task::TaskTracker};
use tower::ServiceExt;
use tracing::{debug, warn};

use crate::gate::{Came, Way};
use crate::watch::House;

/// Connections at once.
const MOST: usize = 512;
/// Of one address, but for this machine and trusted proxies.
const MOST_OF_ONE: usize = 128;
/// For the handshake, and for the head of each request; also how long a connection may idle.
const FOR_HEAD: Duration = Duration::from_secs(15);
/// For the body of a request.
const FOR_BODY: Duration = Duration::from_secs(30);
/// For a client that does not take its answer.
const FOR_ANSWER: Duration = Duration::from_secs(60);
/// The largest head of a request, in bytes.
const MOST_HEAD: usize = 16 * 1024;
/// What is held of a connection, in bytes.
const MOST_HELD: usize = 64 * 1024;

/// Serves a router until the stop; secured, if the configuration has a certificate.
pub(super) async fn serve(
    house: Arc<House>,
    listener: TcpListener,
    way: Way,
    router: Router,
    stop: CancellationToken,
) {
    run(house, listener, Some(way), router, stop).await;
}

/// Serves a router in the clear.
pub(super) async fn serve_plain(
    house: Arc<House>,
    listener: TcpListener,
    router: Router,
    stop: CancellationToken,
) {
    run(house, listener, None, router, stop).await;
}

async fn run(
    house: Arc<House>,
    listener: TcpListener,
    way: Option<Way>,
    router: Router,
    stop: CancellationToken,
) {
    let places = Arc::new(Semaphore::new(MOST));
    let open = Arc::new(Open::default());
    let tracker = TaskTracker::new();
    loop {
        let place = tokio::select! {
            () = stop.cancelled() => break,
            place = Arc::clone(&places).acquire_owned() => place,
        };
        let Ok(place) = place else { break };
        let accepted = tokio::select! {
            () = stop.cancelled() => break,
            accepted = listener.accept() => accepted,
        };
        let (stream, peer) = match accepted {
            Ok(accepted) => accepted,
            Err(error) => {
                // Too many open files, say: it passes.
                warn!("A connection could not be taken: {error}.");
                sleep(Duration::from_millis(100)).await;
                continue;
            }
        };
        let from = peer.ip().to_canonical();
        let access = house.gate.access();
        let at_home = from.is_loopback() || (access.behind_proxy && access.proxies.contains(&from));
        let Some(counted) = Open::one_more(&open, from, if at_home { MOST } else { MOST_OF_ONE }) else {
            continue;
        };
        let tls = match way {
            Some(Way::Front) => access.certificate.as_ref().and_then(|own| own.server()),
            _ => None,
        };
        let came = Came {
            from,
            way: way.unwrap_or(Way::Front),
        };
        let (router, stop) = (router.clone(), stop.clone());
        tracker.spawn(async move {
            let _held = (place, counted);
            stream.set_nodelay(true).ok();
            match tls {
                None => converse(stream, came, router, stop).await,
                Some(tls) => match timeout(FOR_HEAD, TlsAcceptor::from(tls).accept(stream)).await {
                    Ok(Ok(secured)) => converse(secured, came, router, stop).await,
                    Ok(Err(error)) => debug!("No secured link with {from}: {error}."),
                    Err(_) => debug!("No secured link with {from} in time."),
                },
            }
        });
    }
    drop(listener);
    // Pages that listen would wait for ever.
    house.parting.cancel();
    tracker.close();
    tracker.wait().await;
}

async fn converse<S>(stream: S, came: Came, router: Router, stop: CancellationToken)
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let service = service_fn(move |mut request: hyper::Request<hyper::body::Incoming>| {
        request.extensions_mut().insert(came);
        router.clone().oneshot(request.map(Body::new))
    });
    let mut connection = http1::Builder::new();
    connection
        .timer(TokioTimer::new())
        .header_read_timeout(FOR_HEAD)
        .max_header_size(MOST_HEAD)
        .max_buf_size(MOST_HELD);
    let connection = connection.serve_connection(TokioIo::new(Taken::new(stream)), service);
    tokio::pin!(connection);
    let ended = tokio::select! {
        ended = connection.as_mut() => ended,
        () = stop.cancelled() => {
            connection.as_mut().graceful_shutdown();
            connection.await
        }
    };
    if let Err(error) = ended {
        debug!("The connection with {} broke: {error}.", came.from);
    }
}

/// A body that does not come in time breaks off.
pub(super) async fn patient(request: Request) -> Request {
    let until = Instant::now() + FOR_BODY;
    request.map(|body| {
        let body = stream::unfold(Some(body.into_data_stream()), move |body| async move {
            let mut body = body?;
            match timeout_at(until, body.next()).await {
                Ok(chunk) => {
                    let chunk: Result<Bytes, axum::BoxError> = chunk?.map_err(Into::into);
                    Some((chunk, Some(body)))
                }
                Err(_) => {
                    let late = io::Error::new(io::ErrorKind::TimedOut, "it did not come within 30 seconds");
                    Some((Err(late.into()), None))
                }
            }
        });
        Body::from_stream(body)
    })
}

/// How many connections each address has.
#[derive(Debug, Default)]
struct Open(Mutex<BTreeMap<IpAddr, usize>>);

struct Counted {
    open: Arc<Open>,
    from: IpAddr,
}

impl Open {
    fn one_more(open: &Arc<Self>, from: IpAddr, most: usize) -> Option<Counted> {
        let mut all = open.0.lock().unwrap_or_else(PoisonError::into_inner);
        let count = all.entry(from).or_default();
        if *count >= most {
            return None;
        }
        *count += 1;
        Some(Counted {
            open: Arc::clone(open),
            from,
        })
    }
}

impl Drop for Counted {
    fn drop(&mut self) {
        let mut all = self.open.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = all.get_mut(&self.from) {
            *count -= 1;
            if *count == 0 {
                all.remove(&self.from);
            }
        }
    }
}

/// A stream that breaks if nobody takes what is written to it for too long.
struct Taken<S> {
    stream: S,
    stuck: Option<Pin<Box<Sleep>>>,
}

impl<S> Taken<S> {
    fn new(stream: S) -> Self {
        Self { stream, stuck: None }
    }

    fn watch<T>(&mut self, written: Poll<io::Result<T>>, context: &mut Context<'_>) -> Poll<io::Result<T>> {
        if written.is_ready() {
            self.stuck = None;
            return written;
        }
        let stuck = self.stuck.get_or_insert_with(|| Box::pin(sleep(FOR_ANSWER)));
        ready!(stuck.as_mut().poll(context));
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Taken<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Taken<S> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.watch(written, context)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let flushed = Pin::new(&mut self.stream).poll_flush(context);
        self.watch(flushed, context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let shut = Pin::new(&mut self.stream).poll_shutdown(context);
        self.watch(shut, context)
    }
}

#[cfg(test)]
mod tests;
