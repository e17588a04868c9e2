//! Over a socket: what the router never sees.

use std::net::SocketAddr;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinHandle;

use terce::rest::{Times, serve_within};

use super::{Service, procedure};

async fn served() -> (Service, SocketAddr, watch::Sender<bool>, JoinHandle<std::io::Result<()>>) {
    let service = Service::new().await;
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let (stop, stopped) = watch::channel(false);
    let server = tokio::spawn(terce::rest::serve(listener, service.router.clone(), stopped));
    (service, address, stop, server)
}

/// Sends bytes and reads until the server closes or says no more for a while.
async fn talk(address: SocketAddr, bytes: &[u8]) -> String {
    let mut stream = TcpStream::connect(address).await.unwrap();
    stream.write_all(bytes).await.unwrap();
    let mut out = Vec::new();
    let mut buffer = [0; 4096];
    while let Ok(Ok(read)) = tokio::time::timeout(Duration::from_millis(500), stream.read(&mut buffer)).await
    {
        if read == 0 {
            break;
        }
        out.extend_from_slice(&buffer[..read]);
    }
    String::from_utf8_lossy(&out).into_owned()
}

#[tokio::test]
async fn requests_that_proxies_could_read_differently_are_refused() {
    let (_service, address, _stop, _server) = served().await;
    let body = procedure().to_string();
    let head = "POST /fhir/Procedure HTTP/1.1\r\nHost: x\r\nContent-Type: application/fhir+json\r\n";
    for (what, request) in [
        ("two lengths", format!("{head}Content-Length: 3\r\nContent-Length: 4\r\n\r\n{{}}")),
        ("a signed length", format!("{head}Content-Length: +20\r\n\r\n{{}}")),
        (
            "a length and chunks",
            format!("{head}Content-Length: 5\r\nTransfer-Encoding: xchunked\r\n\r\n0\r\n\r\n"),
        ),
        ("a space before the colon", "GET /healthz HTTP/1.1\r\nHost : x\r\n\r\n".to_owned()),
        ("no host", "GET /healthz HTTP/1.1\r\n\r\n".to_owned()),
        ("two hosts", "GET /healthz HTTP/1.1\r\nHost: x\r\nHost: y\r\n\r\n".to_owned()),
        ("an address elsewhere", "GET http://evil.example/healthz HTTP/1.1\r\nHost: x\r\n\r\n".to_owned()),
        ("another version", "GET /healthz HTTP/9.9\r\nHost: x\r\n\r\n".to_owned()),
        ("an overflowing chunk", format!("{head}Transfer-Encoding: chunked\r\n\r\nfffffffffffffffff\r\n")),
    ] {
        let reply = talk(address, request.as_bytes()).await;
        assert!(reply.starts_with("HTTP/1.1 400") || reply.is_empty(), "{what}: {reply}");
    }
    let long = format!("GET /healthz HTTP/1.1\r\nHost: x\r\nX: {}\r\n\r\n", "y".repeat(64 << 10));
    assert!(talk(address, long.as_bytes()).await.starts_with("HTTP/1.1 431"));
    let many = format!("GET /healthz HTTP/1.1\r\nHost: x\r\n{}\r\n", "X: y\r\n".repeat(200));
    assert!(talk(address, many.as_bytes()).await.starts_with("HTTP/1.1 431"));
    let ordinary = format!("{head}Connection: close\r\nContent-Length: {}\r\n\r\n{body}", body.len());
    assert!(talk(address, ordinary.as_bytes()).await.starts_with("HTTP/1.1 201"));
}

#[tokio::test]
async fn a_huge_body_is_refused_before_it_is_sent() {
    let (_service, address, _stop, _server) = served().await;
    let request = "POST /fhir/Procedure HTTP/1.1\r\nHost: x\r\nContent-Type: application/fhir+json\r\nExpect: 100-continue\r\nContent-Length: 1073741824\r\n\r\n";
    let reply = talk(address, request.as_bytes()).await;
    assert!(reply.starts_with("HTTP/1.1 413"), "{reply}");
}

#[tokio::test]
async fn a_gzip_body_is_taken_and_one_that_is_cut_short_is_not() {
    let (_service, address, _stop, _server) = served().await;
    let ordinary = gzip_stored(procedure().to_string().as_bytes());
    let send = |body: Vec<u8>| {
        let mut request = format!("POST /fhir/Procedure HTTP/1.1\r\nHost: x\r\nConnection: close\r\nContent-Type: application/fhir+json\r\nContent-Encoding: gzip\r\nContent-Length: {}\r\n\r\n", body.len()).into_bytes();
        request.extend(body);
        request
    };
    assert!(talk(address, &send(ordinary.clone())).await.starts_with("HTTP/1.1 201"));
    let mut cut = ordinary;
    cut.truncate(40);
    assert!(talk(address, &send(cut)).await.starts_with("HTTP/1.1 400"));
}

/// Gzip without compression.
fn gzip_stored(bytes: &[u8]) -> Vec<u8> {
    let mut out = vec![0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 255];
    let length = u16::try_from(bytes.len()).unwrap();
    out.push(1);
    out.extend(length.to_le_bytes());
    out.extend((!length).to_le_bytes());
    out.extend(bytes);
    let mut crc = !0_u32;
    for byte in bytes {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { crc >> 1 ^ 0xedb8_8320 } else { crc >> 1 };
        }
    }
    out.extend((!crc).to_le_bytes());
    out.extend(u32::from(length).to_le_bytes());
    out
}

/// Gzip of more than 16 MiB of spaces, in some hundred kilobytes: one space, and then "258 times what was last" again
/// and again (RFC 1951, 3.2.6).
fn bomb() -> Vec<u8> {
    // the last block, with fixed codes
    let mut bits = vec![true, true, false];
    let code = |bits: &mut Vec<bool>, code: u32, length: u32| {
        bits.extend((0..length).rev().map(|at| code >> at & 1 == 1));
    };
    code(&mut bits, 0x50, 8);
    for _ in 0..(17 << 20) / 258 {
        code(&mut bits, 0b1100_0101, 8);
        code(&mut bits, 0, 5);
    }
    code(&mut bits, 0, 7);
    let bytes = bits.chunks(8).map(|byte| byte.iter().rev().fold(0, |b, bit| b << 1 | u8::from(*bit)));
    [0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 255].into_iter().chain(bytes).collect()
}

#[tokio::test]
async fn a_bomb_is_refused_when_it_has_grown_too_large() {
    let service = Service::new().await;
    let bomb = bomb();
    assert!(bomb.len() < 200_000);
    let headers = [super::FHIR, ("content-encoding", "gzip")];
    let reply = service.ask("POST", "/fhir/Procedure", &headers, bomb).await;
    assert_eq!(reply.verdict(), super::verdict(413, "too-long"));
    assert_eq!(service.post("/fhir/Procedure", &procedure()).await.status, 201);
}

#[tokio::test]
async fn a_stopped_server_ends_idle_connections_and_returns() {
    let (_service, address, stop, server) = served().await;
    let mut idle = TcpStream::connect(address).await.unwrap();
    idle.write_all(b"GET /healthz HTTP/1.1\r\nHost: x\r\n\r\n").await.unwrap();
    let mut buffer = [0; 1024];
    assert!(idle.read(&mut buffer).await.unwrap() > 0);
    stop.send(true).unwrap();
    tokio::time::timeout(Duration::from_secs(5), server).await.unwrap().unwrap().unwrap();
    assert!(TcpStream::connect(address).await.is_err());
}

#[tokio::test]
async fn connections_that_say_nothing_or_too_little_are_closed() {
    let service = Service::with(|rest| rest.with_body_time(Duration::from_millis(100))).await;
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let (_stop, stopped) = watch::channel(false);
    let times = Times { head: Duration::from_millis(100), ..Times::default() };
    tokio::spawn(serve_within(times, listener, service.router.clone(), stopped));
    let body = "POST /fhir/Procedure HTTP/1.1\r\nHost: x\r\nContent-Type: application/fhir+json\r\nContent-Length: 20\r\n\r\n{";
    for (begun, answer) in [
        ("", ""),
        ("GET /healthz HTT", ""),
        ("GET /healthz HTTP/1.1\r\nHost: x\r\n\r\n", "HTTP/1.1 200"),
        (body, "HTTP/1.1 408"),
    ] {
        let mut stream = TcpStream::connect(address).await.unwrap();
        stream.write_all(begun.as_bytes()).await.unwrap();
        let mut all = Vec::new();
        let closed = tokio::time::timeout(Duration::from_secs(20), stream.read_to_end(&mut all)).await;
        assert!(closed.is_ok(), "{begun:?} is still open");
        let said = String::from_utf8_lossy(&all);
        // a connection without a whole head is closed without a word, or with one
        assert!(said.starts_with(answer), "{begun:?}: {said}");
    }
}

#[tokio::test]
async fn a_client_that_is_cut_off_leaves_nothing_behind() {
    let (service, address, _stop, _server) = served().await;
    let mut stream = TcpStream::connect(address).await.unwrap();
    let head = "POST /fhir/Procedure HTTP/1.1\r\nHost: x\r\nContent-Type: application/fhir+json\r\nContent-Length: 2000\r\n\r\n";
    stream.write_all(format!("{head}{}", procedure()).as_bytes()).await.unwrap();
    stream.shutdown().await.unwrap();
    let mut all = Vec::new();
    let _ = stream.read_to_end(&mut all).await;
    let said = String::from_utf8_lossy(&all);
    assert!(said.is_empty() || said.starts_with("HTTP/1.1 400"), "{said}");
    assert_eq!(service.store.counts().await.unwrap().documents.len(), 0);
}

#[tokio::test]
async fn when_all_places_are_taken_who_has_waited_longest_makes_room() {
    let (_service, address, _stop, _server) = served().await;
    let ask = b"GET /healthz HTTP/1.1\r\nHost: x\r\n\r\n";
    let mut held = Vec::new();
    for _ in 0..terce::rest::limits::CONNECTIONS {
        let mut stream = TcpStream::connect(address).await.unwrap();
        stream.write_all(ask).await.unwrap();
        let mut buffer = [0; 1024];
        assert!(stream.read(&mut buffer).await.unwrap() > 0);
        held.push(stream);
    }
    assert!(talk(address, ask).await.starts_with("HTTP/1.1 200"));
    let mut all = Vec::new();
    let first = tokio::time::timeout(Duration::from_secs(4), held[0].read_to_end(&mut all)).await;
    assert!(first.is_ok(), "the first connection is still open");
}
