//! Public keys (RFC 7517), as strong as they must be, found by their name.

use aws_lc_rs::signature::{ECDSA_P256_SHA256_FIXED, ECDSA_P384_SHA384_FIXED, ParsedPublicKey};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use jsonwebtoken::{Algorithm, DecodingKey};
use serde::Deserialize;

use super::limits;

/// A set of public keys that signatures are made with.
#[derive(Clone, Debug, Default)]
pub struct Keys(Vec<Key>);

/// What kind of key it is: `kty`, and `crv` where there is one.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Sort {
    Rsa,
    P256,
    P384,
}

#[derive(Clone, Debug)]
struct Key {
    id: String,
    sort: Sort,
    /// The only algorithm that it is for, if it says so.
    only: Option<String>,
    key: DecodingKey,
}

/// Why a set of keys is not used.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Unusable {
    /// Not in the shape of RFC 7517.
    #[error("expected a JSON object with an array \"keys\"")]
    NotASet,
    /// Too long.
    #[error("a set of keys has at most {} bytes", limits::KEYS_BYTES)]
    TooLong,
    /// Too many.
    #[error("a set has at most {} keys", limits::KEYS)]
    TooMany,
    /// There is no key in it that can be used.
    #[error("there is no key in it that signatures can be checked with")]
    Empty,
    /// One of its keys.
    #[error("keys[{0}]: {1}")]
    Key(usize, &'static str),
}

#[derive(Deserialize)]
struct Set {
    keys: Vec<serde_json::Value>,
}

#[derive(Deserialize)]
struct Written {
    kty: String,
    kid: Option<String>,
    #[serde(rename = "use")]
    used_for: Option<String>,
    key_ops: Option<Vec<String>>,
    alg: Option<String>,
    n: Option<String>,
    e: Option<String>,
    crv: Option<String>,
    x: Option<String>,
    y: Option<String>,
    d: Option<serde::de::IgnoredAny>,
    k: Option<serde::de::IgnoredAny>,
}

impl Keys {
    /// Reads a set that an operator has written down: every key must be one that can be used.
    ///
    /// # Errors
    /// The first thing that is wrong with it.
    pub fn read(text: &[u8]) -> Result<Keys, Unusable> {
        let mut keys = Vec::new();
        for (index, written) in written(text)?.into_iter().enumerate() {
            keys.push(key(written).map_err(|why| Unusable::Key(index, why))?);
        }
        Keys::of(keys)
    }

    /// Reads a set that its owner keeps at an address: keys for something else are left out, and so are weak ones.
    ///
    /// # Errors
    /// It is no set, too long, or without a key that can be used.
    pub fn usable(text: &[u8]) -> Result<Keys, Unusable> {
        Keys::of(written(text)?.into_iter().filter_map(|written| key(written).ok()).collect())
    }

    fn of(keys: Vec<Key>) -> Result<Keys, Unusable> {
        if keys.is_empty() { Err(Unusable::Empty) } else { Ok(Keys(keys)) }
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.0.len()
    }

    /// Whether one has this name.
    pub(super) fn names(&self, id: &str) -> bool {
        self.0.iter().any(|key| key.id == id)
    }

    /// The only key of this name that this algorithm takes; none if there is none, or more than one.
    pub(super) fn the(&self, id: &str, algorithm: Algorithm) -> Option<&DecodingKey> {
        let name = format!("{algorithm:?}");
        let mut fitting = self.0.iter().filter(|key| {
            key.id == id
                && sort(algorithm) == Some(key.sort)
                && key.only.as_ref().is_none_or(|only| *only == name)
        });
        match (fitting.next(), fitting.next()) {
            (Some(key), None) => Some(&key.key),
            _ => None,
        }
    }
}

/// The algorithm of this name, if it is one that is taken: signatures by a private key, not by a shared secret.
pub fn algorithm(name: &str) -> Option<Algorithm> {
    name.parse().ok().filter(|a| sort(*a).is_some())
}

/// What kind of key an algorithm takes.
#[allow(
    clippy::wildcard_enum_match_arm,
    reason = "the library's list of algorithms grows; these are known here"
)]
fn sort(algorithm: Algorithm) -> Option<Sort> {
    match algorithm {
        Algorithm::RS256 | Algorithm::RS384 | Algorithm::RS512 => Some(Sort::Rsa),
        Algorithm::PS256 | Algorithm::PS384 | Algorithm::PS512 => Some(Sort::Rsa),
        Algorithm::ES256 => Some(Sort::P256),
        Algorithm::ES384 => Some(Sort::P384),
        _ => None,
    }
}

fn written(text: &[u8]) -> Result<Vec<serde_json::Value>, Unusable> {
    if text.len() > limits::KEYS_BYTES {
        return Err(Unusable::TooLong);
    }
    let set: Set = serde_json::from_slice(text).map_err(|_| Unusable::NotASet)?;
    if set.keys.len() > limits::KEYS { Err(Unusable::TooMany) } else { Ok(set.keys) }
}

fn key(written: serde_json::Value) -> Result<Key, &'static str> {
    let written: Written =
        serde_json::from_value(written).map_err(|_| "expected a key as in RFC 7517, with \"kty\"")?;
    if written.d.is_some() || written.k.is_some() {
        return Err("a private or secret key: leave it with the client, and write down the public one");
    }
    let id = written.kid.ok_or("it needs a \"kid\", by which it is found")?;
    if id.is_empty() || id.len() > limits::NAME_BYTES {
        return Err("its \"kid\" is empty or too long");
    }
    let verifies = written.key_ops.is_none_or(|ops| ops.iter().any(|op| op == "verify"));
    if !verifies || written.used_for.is_some_and(|used| used != "sig") {
        return Err("it is not for signatures: expected \"use\" to be \"sig\"");
    }
    let (sort, key) = match (written.kty.as_str(), written.crv.as_deref()) {
        ("RSA", _) => (Sort::Rsa, rsa(written.n.as_deref(), written.e.as_deref())?),
        ("EC", Some("P-384")) => (Sort::P384, curve(48, &written.x, &written.y)?),
        ("EC", Some("P-256")) => (Sort::P256, curve(32, &written.x, &written.y)?),
        _ => return Err("expected \"kty\" RSA, or EC with \"crv\" P-384 or P-256"),
    };
    Ok(Key { id, sort, only: written.alg, key })
}

fn rsa(n: Option<&str>, e: Option<&str>) -> Result<DecodingKey, &'static str> {
    let number = |text: Option<&str>| {
        let bytes = text.and_then(|t| URL_SAFE_NO_PAD.decode(t).ok())?;
        let first = bytes.iter().position(|b| *b != 0)?;
        bytes.get(first..).map(<[u8]>::to_vec)
    };
    let (n, e) =
        (number(n).ok_or("expected \"n\" in base64url")?, number(e).ok_or("expected \"e\" in base64url")?);
    let bits = n.len() * 8 - n.first().map_or(0, |b| b.leading_zeros() as usize);
    if !limits::RSA_BITS.contains(&bits) || n.last().is_none_or(|b| b % 2 == 0) {
        return Err("an RSA key has 2048 to 8192 bits");
    }
    // 65537 or more, odd, and not so large that checking takes long
    let large = e.len() > 4 || e.iter().fold(0_u64, |sum, b| sum << 8 | u64::from(*b)) < 65_537;
    if large || e.last().is_none_or(|b| b % 2 == 0) {
        return Err("the exponent of an RSA key is odd, at least 65537 and below 2^32");
    }
    Ok(DecodingKey::from_rsa_raw_components(&n, &e))
}

fn curve(bytes: usize, x: &Option<String>, y: &Option<String>) -> Result<DecodingKey, &'static str> {
    let coordinate = |text: &Option<String>| {
        let decoded = URL_SAFE_NO_PAD.decode(text.as_deref()?).ok()?;
        (decoded.len() == bytes).then_some(decoded)
    };
    let (Some(x), Some(y)) = (coordinate(x), coordinate(y)) else {
        return Err("expected \"x\" and \"y\" in base64url, each as long as the curve's field");
    };
    let point = [&[4_u8][..], &x, &y].concat();
    let algorithm = if bytes == 48 { &ECDSA_P384_SHA384_FIXED } else { &ECDSA_P256_SHA256_FIXED };
    ParsedPublicKey::new(algorithm, &point).map_err(|_| "it is not a point on its curve")?;
    Ok(DecodingKey::from_ec_der(&point))
}
