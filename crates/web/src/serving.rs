//! Connections: how many, how slow, how long.
//!
//! One that sends no head in time, or takes nothing of its answer, is cut. What does not fit is refused at once rather
//! than kept waiting: the collector's threads are others and notice nothing.

use std::collections::HashMap;
use std::io;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::time::timeout;
use tokio_io_timeout::TimeoutStream;
use tower::ServiceExt;
use tracing::Instrument;

use crate::door::Peer;
use crate::tls::Tls;

/// Bounds on connections.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bounds {
    /// So many at once.
    pub connections: usize,
    /// Of one address.
    pub of_one: usize,
    /// A request's head must be there after so long; so long an idle connection is kept.
    pub head: Duration,
    /// An answer must have begun after so long.
    pub answer: Duration,
    /// A client that takes nothing of its answer for so long is cut.
    pub stalled: Duration,
    /// So much of a request's body is read.
    pub body_bytes: usize,
}

impl Default for Bounds {
    fn default() -> Self {
        Bounds {
            connections: 256,
            of_one: 64,
            head: Duration::from_secs(10),
            answer: Duration::from_secs(30),
            stalled: Duration::from_secs(20),
            body_bytes: 256 << 10,
        }
    }
}

/// A request's head has at most so many bytes and lines.
const HEAD_BYTES: usize = 16 << 10;
const HEAD_LINES: usize = 64;
/// After a failure to accept (no more files, say) a pause.
const PAUSE: Duration = Duration::from_millis(100);
/// What is being answered may end within so long when the daemon stops.
const LAST: Duration = Duration::from_secs(2);

/// Serves until `shutdown` comes.
pub(crate) async fn run(
    listener: TcpListener,
    router: Router,
    tls: Option<Arc<Tls>>,
    bounds: Bounds,
    shutdown: impl Future<Output = ()>,
) -> io::Result<()> {
    let places = Places::new(bounds.connections, bounds.of_one);
    let mut tasks = tokio::task::JoinSet::new();
    let (stop, _) = tokio::sync::watch::channel(false);
    tokio::pin!(shutdown);
    loop {
        let (stream, address) = tokio::select! {
            () = &mut shutdown => break,
            Some(_) = tasks.join_next(), if !tasks.is_empty() => continue,
            accepted = listener.accept() => match accepted {
                Ok(accepted) => accepted,
                Err(error) if is_of_one(&error) => continue,
                Err(error) => {
                    tracing::warn!("no connection can be taken: {error}");
                    tokio::time::sleep(PAUSE).await;
                    continue;
                }
            },
        };
        let Some(place) = places.take(address.ip()) else {
            metrics::counter!("foldwatch_connections_refused_total").increment(1);
            continue;
        };
        let (router, tls, bounds) = (router.clone(), tls.clone(), bounds.clone());
        let mut stopped = stop.subscribe();
        let task = async move {
            let conversation = connection(stream, address.ip(), router, tls, &bounds, &mut stopped);
            if let Err(error) = conversation.await {
                tracing::debug!(%address, "a connection ended: {error}");
            }
            drop(place);
        };
        tasks.spawn(task.in_current_span());
    }
    stop.send_replace(true);
    let _ = timeout(LAST, async { while tasks.join_next().await.is_some() {} }).await;
    tasks.abort_all();
    Ok(())
}

/// It concerns the one who came, not us.
fn is_of_one(error: &io::Error) -> bool {
    use io::ErrorKind::{ConnectionAborted, ConnectionRefused, ConnectionReset};
    matches!(error.kind(), ConnectionAborted | ConnectionRefused | ConnectionReset)
}

type Anything = Box<dyn std::error::Error + Send + Sync>;

async fn connection(
    stream: TcpStream,
    address: IpAddr,
    router: Router,
    tls: Option<Arc<Tls>>,
    bounds: &Bounds,
    stopped: &mut tokio::sync::watch::Receiver<bool>,
) -> Result<(), Anything> {
    stream.set_nodelay(true)?;
    let mut stream = TimeoutStream::new(stream);
    stream.set_write_timeout(Some(bounds.stalled));
    let stream = Box::pin(stream);
    let peer = Peer { address, encrypted: tls.is_some() };
    match tls {
        None => answer(stream, peer, router, bounds, stopped).await,
        Some(tls) => {
            let stream = timeout(bounds.head, tls.acceptor().accept(stream)).await??;
            answer(stream, peer, router, bounds, stopped).await
        }
    }
}

async fn answer(
    stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
    peer: Peer,
    router: Router,
    bounds: &Bounds,
    stopped: &mut tokio::sync::watch::Receiver<bool>,
) -> Result<(), Anything> {
    let service = router.map_request(move |mut request: hyper::Request<hyper::body::Incoming>| {
        request.extensions_mut().insert(peer);
        request.map(axum::body::Body::new)
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(bounds.head)
        .max_buf_size(HEAD_BYTES)
        .max_headers(HEAD_LINES)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(service));
    tokio::pin!(connection);
    tokio::select! {
        done = connection.as_mut() => return Ok(done?),
        _ = stopped.wait_for(|stopped| *stopped) => {}
    }
    connection.as_mut().graceful_shutdown();
    Ok(connection.await?)
}

/// Room for connections.
#[derive(Clone)]
struct Places {
    taken: Arc<Mutex<HashMap<IpAddr, usize>>>,
    most: usize,
    of_one: usize,
}

impl Places {
    fn new(most: usize, of_one: usize) -> Self {
        Places { taken: Arc::default(), most, of_one }
    }

    fn take(&self, address: IpAddr) -> Option<Taken> {
        let address = address.to_canonical();
        let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        let all: usize = taken.values().sum();
        let of_this = taken.entry(address).or_default();
        // One place in eight is kept for this machine: its owner gets in while others hold all the rest.
        let most = if address.is_loopback() { self.most } else { self.most - self.most / 8 };
        if all >= most || *of_this >= self.of_one {
            if *of_this == 0 {
                taken.remove(&address);
            }
            return None;
        }
        *of_this += 1;
        Some(Taken { places: self.clone(), address })
    }
}

/// One of the places; free again when dropped.
struct Taken {
    places: Places,
    address: IpAddr,
}

impl Drop for Taken {
    fn drop(&mut self) {
        let mut taken = self.places.taken.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = taken.get_mut(&self.address) {
            *count -= 1;
            if *count == 0 {
                taken.remove(&self.address);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_bounded_for_each_and_for_all_and_come_free() {
        let places = Places::new(16, 4);
        let from = |n: u8| IpAddr::from([192, 0, 2, n]);
        let of_one: Vec<_> = (0..10).filter_map(|_| places.take(from(1))).collect();
        assert_eq!(of_one.len(), 4);
        let others: Vec<_> = (2..200).filter_map(|n| places.take(from(n))).collect();
        assert_eq!(of_one.len() + others.len(), 14);
        // What others hold does not keep out who sits here.
        let here = places.take([127, 0, 0, 1].into());
        assert!(here.is_some());
        drop((of_one, others, here));
        assert!(places.taken.lock().unwrap().is_empty());
    }
}
