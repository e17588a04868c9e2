//! Signed tokens (RFC 7519) that others have made: taken apart, and checked against the clock and what was expected.
//!
//! The library checks the signature. What it would let pass is refused here: headers that name other keys than the
//! registered ones, extensions that must be understood, tokens that are good for years or begin in the future.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use jsonwebtoken::{Algorithm, Header};
use serde::Deserialize;

use super::keys::Keys;
use super::limits;

/// A token whose signature has not been looked at.
pub(super) struct Signed<'a> {
    message: &'a str,
    signature: &'a str,
    header: Header,
    claims: Claims,
}

/// What a token says, as far as it is needed.
#[derive(Clone, PartialEq, Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Claims {
    /// Who made it.
    pub(super) iss: Option<String>,
    /// Whom it is about.
    pub(super) sub: Option<String>,
    /// Whom it is for.
    pub(super) aud: Option<Audience>,
    /// When it is over, in seconds since 1970.
    pub(super) exp: Option<f64>,
    /// From when on it is good.
    pub(super) nbf: Option<f64>,
    /// When it was made.
    pub(super) iat: Option<f64>,
    /// Its name.
    pub(super) jti: Option<String>,
    /// The client that it was given to.
    pub(super) client_id: Option<String>,
    /// The same, as some servers say it.
    pub(super) azp: Option<String>,
    /// What it allows.
    pub(super) scope: Option<Words>,
    /// Only an id token has these: it tells who somebody is, and allows nothing.
    pub(super) nonce: Option<serde::de::IgnoredAny>,
    /// As `nonce`.
    pub(super) at_hash: Option<serde::de::IgnoredAny>,
}

/// One audience or several.
#[derive(Clone, PartialEq, Eq, Debug, Deserialize)]
#[serde(untagged)]
pub(super) enum Audience {
    /// One.
    One(String),
    /// Several.
    Many(Vec<String>),
}

/// Words in one text or in a list.
#[derive(Clone, PartialEq, Eq, Debug, Deserialize)]
#[serde(untagged)]
pub(super) enum Words {
    /// Separated by spaces.
    Text(String),
    /// One each.
    List(Vec<String>),
}

/// What is wrong with a token: for the log, and for who may know.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Wrong {
    /// Not in the shape of a signed token.
    #[error("it is no signed JSON web token")]
    Shape,
    /// Its header asks for something that is not done here.
    #[error("its header names keys or extensions that are not registered")]
    Header,
    /// Its algorithm is not taken.
    #[error("its algorithm is not one that is taken")]
    Algorithm,
    /// Not exactly one key fits.
    #[error("not exactly one registered key has its kid and kind")]
    NoKey,
    /// The signature.
    #[error("its signature is not right")]
    Signature,
    /// The names in it.
    #[error("its iss, sub or client_id is not the one that is expected")]
    Names,
    /// The audience.
    #[error("its aud is not this server's address for it")]
    Audience,
    /// The times.
    #[error("its exp is missing, or further off than it may be")]
    TooLong,
    /// Over.
    #[error("it is over")]
    Over,
    /// Not begun.
    #[error("its iat or nbf is in the future")]
    Early,
    /// It has no name, or one that was used.
    #[error("its jti is missing, too long, or was used before")]
    Used,
}

impl<'a> Signed<'a> {
    /// Takes a token apart.
    ///
    /// # Errors
    /// `Shape`, or `Header` if it asks for keys or extensions that nobody has registered; `at` is the address of keys
    /// that is registered, if one is.
    pub(super) fn read(text: &'a str, at: Option<&str>) -> Result<Self, Wrong> {
        if text.len() > limits::SIGNED_BYTES {
            return Err(Wrong::Shape);
        }
        let (message, signature) = text.rsplit_once('.').ok_or(Wrong::Shape)?;
        let (_, payload) = message.split_once('.').ok_or(Wrong::Shape)?;
        let header = jsonwebtoken::decode_header(text).map_err(|_| Wrong::Shape)?;
        let foreign = header.jku.as_deref().is_some_and(|jku| Some(jku) != at)
            || header.jwk.is_some()
            || header.x5u.is_some()
            || header.x5c.is_some();
        if foreign || header.crit.is_some() || header.enc.is_some() || header.zip.is_some() {
            return Err(Wrong::Header);
        }
        let claims = claims(payload)?;
        Ok(Signed { message, signature, header, claims })
    }

    /// Who a token says has made it. Nothing is proved by that.
    pub(super) fn issuer(text: &str) -> Option<String> {
        if text.len() > limits::SIGNED_BYTES {
            return None;
        }
        let payload = text.split('.').nth(1)?;
        claims(payload).ok()?.iss
    }

    /// Whether its kind, if it says one, is among `kinds`.
    pub(super) fn is_of(&self, kinds: &[&str]) -> bool {
        self.header.typ.as_deref().is_none_or(|typ| kinds.iter().any(|kind| typ.eq_ignore_ascii_case(kind)))
    }

    /// The name of its key.
    pub(super) fn key_id(&self) -> Option<&str> {
        self.header.kid.as_deref().filter(|kid| kid.len() <= limits::NAME_BYTES)
    }

    /// All that it says; nothing is proved by that before it is [`checked`](Self::checked).
    ///
    /// # Errors
    /// `Shape`.
    pub(super) fn payload(&self) -> Result<serde_json::Value, Wrong> {
        let payload = self.message.split('.').nth(1).ok_or(Wrong::Shape)?;
        let payload = URL_SAFE_NO_PAD.decode(payload).map_err(|_| Wrong::Shape)?;
        serde_json::from_slice(&payload).map_err(|_| Wrong::Shape)
    }

    /// Its algorithm.
    pub(super) fn algorithm(&self) -> Algorithm {
        self.header.alg
    }

    /// What it says, once the signature has been found to be right.
    ///
    /// # Errors
    /// `NoKey`, `Signature`.
    pub(super) fn checked(self, keys: &Keys) -> Result<Claims, Wrong> {
        let key = self.key_id().and_then(|kid| keys.the(kid, self.header.alg)).ok_or(Wrong::NoKey)?;
        match jsonwebtoken::crypto::verify(self.signature, self.message.as_bytes(), key, self.header.alg) {
            Ok(true) => Ok(self.claims),
            Ok(false) | Err(_) => Err(Wrong::Signature),
        }
    }
}

fn claims(payload: &str) -> Result<Claims, Wrong> {
    let payload = URL_SAFE_NO_PAD.decode(payload).map_err(|_| Wrong::Shape)?;
    // a list in the order of the members would be read as one, too
    if payload.first() != Some(&b'{') {
        return Err(Wrong::Shape);
    }
    serde_json::from_slice(&payload).map_err(|_| Wrong::Shape)
}

impl Claims {
    /// Refuses a token that is over, not begun, or good for more than `longest_s` from now. Returns when it is over,
    /// in microseconds.
    ///
    /// # Errors
    /// `TooLong`, `Over`, `Early`.
    pub(super) fn check_times(&self, now_us: i64, longest_s: i64) -> Result<i64, Wrong> {
        let now = now_us as f64 / 1e6;
        let (leeway, longest) = (limits::LEEWAY_S as f64, longest_s as f64);
        let exp = self.exp.ok_or(Wrong::TooLong)?;
        if exp > now + longest + leeway {
            return Err(Wrong::TooLong);
        }
        if exp < now - leeway {
            return Err(Wrong::Over);
        }
        if self.nbf.into_iter().chain(self.iat).any(|from| from > now + leeway) {
            return Err(Wrong::Early);
        }
        Ok((exp * 1e6) as i64)
    }

    /// Whether it is for `audience`.
    pub(super) fn is_for(&self, audience: &str) -> bool {
        match &self.aud {
            None => false,
            Some(Audience::One(one)) => one == audience,
            Some(Audience::Many(many)) => many.iter().any(|one| one == audience),
        }
    }
}
