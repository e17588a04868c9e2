//! The least HTTP/1.1 client: a kept connection, one request at a time on it.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;

pub struct Client {
    stream: BufReader<TcpStream>,
}

impl Client {
    pub fn connect(address: &str) -> Client {
        let stream = TcpStream::connect(address).unwrap();
        stream.set_nodelay(true).unwrap();
        Client { stream: BufReader::with_capacity(1 << 16, stream) }
    }

    /// Sends a request; its answer is read by [`Client::status`].
    pub fn send(&mut self, path: &str, body: &[u8]) {
        let head = format!(
            "POST {path} HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/fhir+json\r\nPrefer: return=minimal\r\nContent-Length: {}\r\n\r\n",
            body.len()
        );
        let mut message = head.into_bytes();
        message.extend_from_slice(body);
        self.stream.get_mut().write_all(&message).unwrap();
    }

    /// Waits for the answer to what was sent.
    pub fn status(&mut self) -> u16 {
        self.answer().0
    }

    pub fn get(&mut self, path: &str) -> String {
        let message = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n");
        self.stream.get_mut().write_all(message.as_bytes()).unwrap();
        let (status, body) = self.answer();
        let body = String::from_utf8(body).unwrap();
        assert!((200..300).contains(&status), "{path}: {status} {body}");
        body
    }

    fn answer(&mut self) -> (u16, Vec<u8>) {
        let (mut status, mut length, mut chunked, mut line) = (0, 0, false, String::new());
        loop {
            line.clear();
            self.stream.read_line(&mut line).unwrap();
            let text = line.trim_end().to_ascii_lowercase();
            if text.is_empty() {
                break;
            }
            if let Some(rest) = text.strip_prefix("http/1.1 ") {
                status = rest[..3].parse().unwrap();
            } else if let Some(n) = text.strip_prefix("content-length: ") {
                length = n.parse().unwrap();
            } else if text == "transfer-encoding: chunked" {
                chunked = true;
            }
        }
        let mut body = vec![0; length];
        if chunked {
            loop {
                line.clear();
                self.stream.read_line(&mut line).unwrap();
                let size = usize::from_str_radix(line.trim_end(), 16).unwrap();
                let mut chunk = vec![0; size + 2];
                self.stream.read_exact(&mut chunk).unwrap();
                body.extend_from_slice(&chunk[..size]);
                if size == 0 {
                    break;
                }
            }
        } else {
            self.stream.read_exact(&mut body).unwrap();
        }
        (status, body)
    }
}
