//! Pages, asked for in ways that mean nothing, or harm.

use super::wire::Request;
use super::{CANARY, Case, ensure, story};

pub(super) fn cases() -> Vec<Case> {
    let mut cases = Vec::new();
    for path in [
        "/",
        "/ward/none",
        "/ward/%00",
        "/ward/%ff",
        "/ward/..%2f..%2fetc%2fpasswd",
        "/ward/%3Cscript%3Ealert(1)%3C%2Fscript%3E",
        "/ward/none/rows?x=%00",
        "/stay/'%20OR%201=1",
        "/stay/%3Cscript%3E",
        "/compliance?from=2026-02-30&to=x",
        "/compliance?from=9999-12-31&to=0001-01-01",
        "/compliance?measure=%3Cscript%3E",
        "/feed?after=-1",
        "/feed/codes?system=%ff&code=%00",
        "/protocols/trial?x=%3Cscript%3E",
        "/assets/..%2fterce.db",
        "/assets/%00",
        "/sign-in?to=https://evil.example/",
        "/sign-in/back?code=x&state=%00",
    ] {
        cases.push(story(format!("the page {path}"), move |terce| bounded(terce, &Request::get(path))));
    }
    for (path, body) in [
        ("/feed/codes", "=&&=%ff"),
        ("/protocols/trial", "plan=%7B"),
        ("/sign-out", "x"),
        ("/ward/none", "x"),
    ] {
        let form = "application/x-www-form-urlencoded";
        cases.push(story(format!("{body} to the page {path}"), move |terce| {
            let request = Request::new("POST", path).header("Content-Type", form).with_plain_body(body);
            bounded(terce, &request)
        }));
    }
    cases
}

/// A page, a refusal or the way to another page of ours; nothing of what was asked runs in a browser.
fn bounded(terce: &super::process::Terce, request: &Request) -> Result<(), String> {
    let mut wire = terce.wire();
    wire.send(&request.bytes());
    let reply = wire.reply()?;
    ensure(reply.status < 500, || format!("{} is a failure", reply.status))?;
    ensure(reply.header("x-content-type-options") == Some("nosniff"), || "no nosniff".to_owned())?;
    let elsewhere = reply.header("location").filter(|to| !to.starts_with('/') || to.starts_with("//"));
    ensure(elsewhere.is_none(), || format!("leads to {elsewhere:?}"))?;
    if reply.header("content-type").is_some_and(|sort| sort.starts_with("text/html")) {
        let rule = reply.header("content-security-policy").unwrap_or_default();
        ensure(rule.starts_with("default-src 'self';"), || format!("the rule {rule:?}"))?;
    }
    let text = reply.text();
    ensure(!text.contains("<script>") && !text.contains(CANARY), || reply.shown())
}
