//! HTTP/1.1 by hand: bytes out, answers in.

use std::io::{ErrorKind, Read, Write};
use std::net::{Shutdown, SocketAddr, TcpStream};
use std::time::Duration;

use serde_json::Value;

/// After this, an answer that has not come is missing.
const PATIENCE: Duration = Duration::from_secs(60);

/// One connection.
pub(super) struct Wire {
    stream: TcpStream,
    read: Vec<u8>,
}

/// One request.
#[derive(Clone)]
pub(super) struct Request {
    method: String,
    path: String,
    headers: Vec<(String, String)>,
    body: Vec<u8>,
}

/// One answer.
pub(super) struct Reply {
    pub(super) status: u16,
    headers: Vec<(String, String)>,
    pub(super) body: Vec<u8>,
}

impl Request {
    pub(super) fn new(method: &str, path: &str) -> Self {
        Request { method: method.to_owned(), path: path.to_owned(), headers: Vec::new(), body: Vec::new() }
    }

    pub(super) fn get(path: &str) -> Self {
        Request::new("GET", path)
    }

    /// With a document as its body.
    pub(super) fn with_body(self, body: impl Into<Vec<u8>>) -> Self {
        let mut request = self.header("Content-Type", "application/fhir+json");
        request.body = body.into();
        request
    }

    /// With a body, and nothing that says what it is.
    pub(super) fn with_plain_body(mut self, body: impl Into<Vec<u8>>) -> Self {
        self.body = body.into();
        self
    }

    /// `POST /fhir/{kind}`.
    pub(super) fn post(kind: &str, body: impl Into<Vec<u8>>) -> Self {
        Request::new("POST", &format!("/fhir/{kind}")).with_body(body)
    }

    /// `PUT /fhir/{at}`.
    pub(super) fn put(at: &str, body: impl Into<Vec<u8>>) -> Self {
        Request::new("PUT", &format!("/fhir/{at}")).with_body(body)
    }

    pub(super) fn header(mut self, name: &str, value: &str) -> Self {
        self.headers.push((name.to_owned(), value.to_owned()));
        self
    }

    pub(super) fn bytes(&self) -> Vec<u8> {
        let mut out = format!("{} {} HTTP/1.1\r\nHost: terce\r\n", self.method, self.path);
        for (name, value) in &self.headers {
            out.push_str(&format!("{name}: {value}\r\n"));
        }
        if !self.body.is_empty() || self.method == "POST" || self.method == "PUT" {
            out.push_str(&format!("Content-Length: {}\r\n", self.body.len()));
        }
        out.push_str("\r\n");
        let mut out = out.into_bytes();
        out.extend_from_slice(&self.body);
        out
    }
}

impl Reply {
    pub(super) fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(n, _)| n.eq_ignore_ascii_case(name)).map(|(_, v)| v.as_str())
    }

    pub(super) fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or(Value::Null)
    }

    pub(super) fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    /// The beginning of the body.
    pub(super) fn shown(&self) -> String {
        self.text().chars().take(400).collect()
    }

    /// The type of its first issue.
    pub(super) fn code(&self) -> String {
        super::at(&self.json(), "/issue/0/code").to_owned()
    }

    pub(super) fn id(&self) -> String {
        super::at(&self.json(), "/id").to_owned()
    }
}

impl Wire {
    pub(super) fn connect(address: SocketAddr) -> Self {
        let stream = TcpStream::connect(address).unwrap();
        stream.set_nodelay(true).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        stream.set_write_timeout(Some(PATIENCE)).unwrap();
        Wire { stream, read: Vec::new() }
    }

    /// Sends, as far as the other side takes it: it may have answered and closed before the end.
    pub(super) fn send(&mut self, bytes: &[u8]) {
        let _ = self.stream.write_all(bytes);
    }

    /// Sends and sends until the other side has closed; false if it takes everything.
    pub(super) fn stuff(&mut self) -> bool {
        let some = vec![b' '; 1 << 20];
        (0..64).any(|_| self.stream.write_all(&some).is_err())
    }

    /// Says that nothing more will be sent.
    pub(super) fn finish(&self) {
        let _ = self.stream.shutdown(Shutdown::Write);
    }

    /// The next answer, `100 Continue` left out.
    pub(super) fn reply(&mut self) -> Result<Reply, String> {
        loop {
            let reply = self.one()?;
            if reply.status != 100 {
                return Ok(reply);
            }
        }
    }

    fn one(&mut self) -> Result<Reply, String> {
        let end = loop {
            if let Some(end) = find(&self.read, b"\r\n\r\n") {
                break end;
            }
            if self.more()? == 0 {
                return Err(format!(
                    "closed without an answer, after {:?}",
                    String::from_utf8_lossy(&self.read)
                ));
            }
        };
        let head = String::from_utf8_lossy(&self.read[..end]).into_owned();
        self.read.drain(..end + 4);
        let mut lines = head.split("\r\n");
        let status = lines.next().and_then(|l| l.split(' ').nth(1)).and_then(|s| s.parse().ok());
        let status = status.ok_or_else(|| format!("no status in {head:?}"))?;
        let headers: Vec<(String, String)> = lines
            .filter_map(|l| l.split_once(':'))
            .map(|(n, v)| (n.to_owned(), v.trim().to_owned()))
            .collect();
        let mut reply = Reply { status, headers, body: Vec::new() };
        let length = reply.header("content-length").and_then(|l| l.parse::<usize>().ok()).unwrap_or(0);
        while self.read.len() < length {
            if self.more()? == 0 {
                return Err(format!("closed after {} of {length} bytes", self.read.len()));
            }
        }
        reply.body = self.read.drain(..length).collect();
        Ok(reply)
    }

    fn more(&mut self) -> Result<usize, String> {
        let mut buffer = [0; 16 << 10];
        match self.stream.read(&mut buffer) {
            Ok(read) => {
                self.read.extend_from_slice(&buffer[..read]);
                Ok(read)
            }
            // a side that closes with something unread says so
            Err(error) if error.kind() == ErrorKind::ConnectionReset => Ok(0),
            Err(error) => Err(format!("no answer: {error}")),
        }
    }

    /// Whether the other side has closed, and sent nothing more before.
    pub(super) fn is_closed(&mut self) -> bool {
        self.read.is_empty() && self.more() == Ok(0)
    }

    /// Everything until the other side closes.
    pub(super) fn rest(&mut self) -> Result<Vec<u8>, String> {
        while self.more()? > 0 {}
        Ok(std::mem::take(&mut self.read))
    }
}

fn find(bytes: &[u8], wanted: &[u8]) -> Option<usize> {
    bytes.windows(wanted.len()).position(|w| w == wanted)
}
