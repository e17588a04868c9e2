//! Over a socket: what the router never sees.

use std::net::SocketAddr;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinHandle;

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
