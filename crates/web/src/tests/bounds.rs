//! Slow and hostile clients at a real port.

use std::time::Duration;

use super::*;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

/// Bounds that a test does not wait long for.
fn tight() -> Bounds {
    Bounds {
        connections: 16,
        of_one: 16,
        head: Duration::from_millis(300),
        answer: Duration::from_secs(5),
        stalled: Duration::from_millis(300),
        body_bytes: 1024,
    }
}

async fn served(app: App) -> (std::net::SocketAddr, tokio::sync::oneshot::Sender<()>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    tokio::spawn(serve(listener, app, None, tight(), async { stopped.await.unwrap_or(()) }));
    (address, stop)
}

async fn all(mut stream: TcpStream) -> String {
    let mut answer = Vec::new();
    let _ = tokio::time::timeout(Duration::from_secs(20), stream.read_to_end(&mut answer))
        .await
        .expect("it is cut");
    String::from_utf8_lossy(&answer).into_owned()
}

async fn said(address: std::net::SocketAddr, bytes: &[u8]) -> String {
    let mut stream = TcpStream::connect(address).await.unwrap();
    // It may be cut while it is still being said.
    let _ = stream.write_all(bytes).await;
    all(stream).await
}

const WELL: &[u8] = b"GET /ready HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n";

#[tokio::test]
async fn who_says_nothing_or_too_much_is_cut() {
    let Scene { app, .. } = scene();
    let (address, _stop) = served(app).await;
    assert!(said(address, WELL).await.starts_with("HTTP/1.1 200"));
    // Nothing at all, half a head, a head that does not end.
    assert_eq!(said(address, b"").await, "");
    assert!(!said(address, b"GET / HTTP/1.1\r\nHost: lo").await.contains("200 OK"));
    let long = [b"GET / HTTP/1.1\r\nX: ", &[b'a'; 64 << 10][..]].concat();
    assert!(!said(address, &long).await.contains("200 OK"));
    let many = format!("GET / HTTP/1.1\r\n{}\r\n", "X: y\r\n".repeat(1000));
    assert!(said(address, many.as_bytes()).await.starts_with("HTTP/1.1 431"));
    // A body that is larger than it may be, told beforehand or not.
    let told = "POST /api/v1/cars/car-1/checks HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer bob\r\n\
                Content-Type: application/json\r\nConnection: close\r\n";
    let body = "x".repeat(4096);
    let answer = said(address, format!("{told}Content-Length: 4096\r\n\r\n{body}").as_bytes()).await;
    assert!(answer.starts_with("HTTP/1.1 4"), "{answer}");
    let chunked = format!("{told}Transfer-Encoding: chunked\r\n\r\n1000\r\n{body}\r\n0\r\n\r\n");
    assert!(said(address, chunked.as_bytes()).await.starts_with("HTTP/1.1 4"));
    // Rubbish, and two lengths that don't agree.
    assert!(!said(address, &[0xA5; 1000]).await.contains("200 OK"));
    let twice = format!("{told}Content-Length: 2\r\nContent-Length: 3\r\n\r\n{{}}");
    assert!(said(address, twice.as_bytes()).await.starts_with("HTTP/1.1 400"));
    // A byte at a time is no way to hold on.
    let mut stream = TcpStream::connect(address).await.unwrap();
    let began = std::time::Instant::now();
    for byte in WELL.iter().cycle() {
        if stream.write_all(&[*byte]).await.is_err() || began.elapsed() > Duration::from_secs(10) {
            break;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    assert!(began.elapsed() < Duration::from_secs(10), "a slow head was waited for");
    assert!(said(address, WELL).await.starts_with("HTTP/1.1 200"));
}

#[tokio::test]
async fn who_takes_nothing_of_a_long_answer_is_cut_and_his_place_is_free_again() {
    let Scene { app, .. } = scene();
    let hub = Arc::clone(app.hub());
    let (address, _stop) = served(app).await;
    let mut stalled = Vec::new();
    for _ in 0..16 {
        let mut stream = TcpStream::connect(address).await.unwrap();
        stream.write_all(b"GET /api/v1/cars/car-1/live HTTP/1.1\r\nHost: localhost\r\n\r\n").await.unwrap();
        stalled.push(stream);
    }
    while hub.watchers() < 16 {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    // No place is left, and that is said at once.
    assert_eq!(said(address, WELL).await, "");
    let values = std::collections::BTreeMap::from([("p".to_owned(), vec![Some(1.0); 50_000])]);
    let samples = LiveSamples { car: "car-1".into(), times_s: vec![0.5; 50_000], values };
    let until = std::time::Instant::now() + Duration::from_secs(60);
    while hub.watchers() > 0 {
        hub.publish(LiveMessage::Samples(samples.clone()));
        tokio::time::sleep(Duration::from_millis(20)).await;
        assert!(std::time::Instant::now() < until, "{} are still waited for", hub.watchers());
    }
    assert!(said(address, WELL).await.starts_with("HTTP/1.1 200"));
}
