//! A receiver on loopback.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::extract::State;
use axum::http::{HeaderMap, Request, Response, StatusCode};
use serde_json::Value;
use tokio::net::TcpListener;
use tokio::sync::{Notify, mpsc};

use super::PATIENCE;

/// What a receiver got.
#[derive(Debug)]
pub struct Got {
    pub method: String,
    pub path: String,
    pub headers: HeaderMap,
    pub body: Vec<u8>,
}

/// How it answers.
#[derive(Clone)]
pub enum Answer {
    /// With a status and one header line.
    Status(u16, Option<(&'static str, String)>),
    /// With 200, once it is told to.
    Held(Arc<Notify>),
    /// Never.
    Never,
}

pub struct Receiver {
    pub url: String,
    got: mpsc::UnboundedReceiver<Got>,
    answers: Arc<Mutex<Answers>>,
}

struct Answers {
    next: VecDeque<Answer>,
    then: Answer,
}

type Shared = (mpsc::UnboundedSender<Got>, Arc<Mutex<Answers>>);

async fn answer(State((tell, answers)): State<Shared>, request: Request<Body>) -> Response<Body> {
    let (parts, body) = request.into_parts();
    let body = to_bytes(body, usize::MAX).await.unwrap().to_vec();
    let (method, path) = (parts.method.to_string(), parts.uri.path().to_owned());
    let answer = {
        let mut answers = answers.lock().unwrap();
        let then = answers.then.clone();
        answers.next.pop_front().unwrap_or(then)
    };
    let _ = tell.send(Got { method, path, headers: parts.headers, body });
    match answer {
        Answer::Never => std::future::pending().await,
        Answer::Held(until) => {
            until.notified().await;
            Response::new(Body::empty())
        }
        Answer::Status(status, header) => {
            let mut response = Response::builder().status(StatusCode::from_u16(status).unwrap());
            if let Some((name, value)) = header {
                response = response.header(name, value);
            }
            response.body(Body::from("<html>not read</html>")).unwrap()
        }
    }
}

impl Receiver {
    /// One that takes everything.
    pub async fn start() -> Receiver {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let (tell, got) = mpsc::unbounded_channel();
        let answers =
            Arc::new(Mutex::new(Answers { next: VecDeque::new(), then: Answer::Status(200, None) }));
        let router = Router::new().fallback(answer).with_state((tell, answers.clone()));
        tokio::spawn(async move { axum::serve(listener, router).await.unwrap() });
        Receiver { url, got, answers }
    }

    /// Answers the next request so.
    pub fn next(&self, answer: Answer) {
        self.answers.lock().unwrap().next.push_back(answer);
    }

    /// Answers everything so from now on.
    pub fn always(&self, answer: Answer) {
        self.answers.lock().unwrap().then = answer;
    }

    /// The next request.
    pub async fn get(&mut self) -> Got {
        let got = tokio::time::timeout(PATIENCE, self.got.recv()).await;
        got.expect("nothing came").unwrap()
    }

    /// Whether nothing has come that was not taken.
    pub fn is_quiet(&mut self) -> bool {
        self.got.try_recv().is_err()
    }
}

impl Got {
    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap()
    }

    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).and_then(|v| v.to_str().ok()).unwrap_or_default()
    }

    /// Method and path.
    pub fn what(&self) -> (&str, &str) {
        (&self.method, &self.path)
    }
}
