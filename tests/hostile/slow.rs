//! Clients that send, or take, as little as they can. Their Terce has the same connections with shorter times.

use std::net::SocketAddr;
use std::time::Duration;

use serde_json::json;
use terce::rest::{Times, serve_within};
use tokio::sync::watch;

use super::Answer::Refused;
use super::wire::{Request, Wire};
use super::{Case, ensure, judge, story};
use crate::rest::Service;

const SHORT: Duration = Duration::from_millis(200);

/// A service in this process whose patience is short, for as long as the runtime lives.
struct Impatient {
    _runtime: tokio::runtime::Runtime,
    address: SocketAddr,
    _stop: watch::Sender<bool>,
}

impl Impatient {
    fn start() -> Self {
        let runtime = tokio::runtime::Runtime::new().unwrap();
        let (address, stop) = runtime.block_on(async {
            let service = Service::with(|rest| rest.with_body_time(SHORT)).await;
            let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
            let address = listener.local_addr().unwrap();
            let (stop, stopped) = watch::channel(false);
            let times = Times { head: SHORT, write: SHORT, ..Times::default() };
            tokio::spawn(serve_within(times, listener, service.router, stopped));
            (address, stop)
        });
        Impatient { _runtime: runtime, address, _stop: stop }
    }

    fn wire(&self) -> Wire {
        Wire::connect(self.address)
    }
}

fn told(name: &str, told: impl Fn(&Impatient) -> Result<(), String> + 'static) -> Case {
    story(name, move |_| told(&Impatient::start()))
}

fn closed(mut wire: Wire) -> Result<(), String> {
    ensure(wire.is_closed(), || "still open".to_owned())
}

pub(super) fn cases() -> Vec<Case> {
    let head = "POST /fhir/Procedure HTTP/1.1\r\nHost: terce\r\nContent-Type: application/fhir+json\r\n";
    vec![
        told("a connection that says nothing is closed", |terce| closed(terce.wire())),
        told("a connection that begins a head and does not end it is closed", |terce| {
            let mut wire = terce.wire();
            wire.send(b"GET /healthz HTTP/1.1\r\nHost: ter");
            // the library may say 408 first
            wire.rest().map(|_| ())
        }),
        told("a connection that is idle after an answer is closed", |terce| {
            let mut wire = terce.wire();
            wire.send(&Request::get("/healthz").bytes());
            ensure(wire.reply()?.status == 200, || "not answered".to_owned())?;
            closed(wire)
        }),
        told("a body that does not come is not waited for", move |terce| {
            let mut wire = terce.wire();
            wire.send(format!("{head}Content-Length: 20\r\n\r\n{{").as_bytes());
            judge(&wire.reply()?, Refused(408, "timeout"))?;
            closed(wire)
        }),
        told("a body in chunks that does not end is not waited for", move |terce| {
            let mut wire = terce.wire();
            wire.send(format!("{head}Transfer-Encoding: chunked\r\n\r\n1\r\n{{\r\n").as_bytes());
            judge(&wire.reply()?, Refused(408, "timeout"))?;
            closed(wire)
        }),
        told("a client that does not take its answer is given up", |terce| {
            let note = "x".repeat(500 << 10);
            let mut wire = terce.wire();
            for n in 0..40 {
                let device =
                    json!({ "resourceType": "Device", "id": format!("d{n}"), "note": [{ "text": note }] });
                wire.send(
                    &Request::put(&format!("Device/d{n}"), device.to_string())
                        .header("Prefer", "return=minimal")
                        .bytes(),
                );
                ensure(wire.reply()?.status == 201, || "not stored".to_owned())?;
            }
            wire.send(&Request::get("/fhir/Device?_count=40").bytes());
            // the answer is not read: while it is not taken, nothing more is read there either
            ensure(wire.stuff(), || "it reads on and on".to_owned())
        }),
        told("40 bodies of 16 MiB that are only announced take nothing from others", move |terce| {
            let _announced: Vec<Wire> = (0..40)
                .map(|_| {
                    let mut wire = terce.wire();
                    wire.send(format!("{head}Content-Length: {}\r\n\r\n{{", 16 << 20).as_bytes());
                    wire
                })
                .collect();
            let mut wire = terce.wire();
            wire.send(&Request::post("Procedure", crate::rest::procedure().to_string()).bytes());
            let reply = wire.reply()?;
            ensure(reply.status == 201, || format!("{} {}", reply.status, reply.shown()))
        }),
    ]
}
