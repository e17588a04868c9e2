//! How strong a key must be.

use serde_json::{Value, json};
use terce::access::keys::Keys;

use super::but;
use super::jose::{Key, b64, set};

#[test]
fn keys_that_are_weak_or_no_keys_are_refused() {
    let (rsa, p384) = (Key::rsa("r").jwk(), Key::p384("e").jwk());
    let rsa_of = |n: Vec<u8>, e: &[u8]| json!({ "kty": "RSA", "kid": "r", "n": b64(n), "e": b64(e) });
    let odd = |bytes: usize| {
        let mut n = vec![0xc3; bytes];
        n[bytes - 1] = 1;
        n
    };
    let good: [&[u8]; 1] = [&[1, 0, 1]];
    assert!(Keys::read(set(&[rsa.clone(), p384.clone()]).as_bytes()).is_ok());
    assert!(Keys::read(set(&[rsa_of(odd(256), good[0])]).as_bytes()).is_ok());
    for (what, key) in [
        ("1024 bits", rsa_of(odd(128), good[0])),
        ("2047 bits", rsa_of([&[0x7f][..], &odd(255)].concat(), good[0])),
        ("1024 bits behind zeros", rsa_of([vec![0; 128], odd(128)].concat(), good[0])),
        ("16384 bits", rsa_of(odd(2048), good[0])),
        ("an even modulus", rsa_of(vec![0xc2; 256], good[0])),
        ("exponent 1", rsa_of(odd(256), &[1])),
        ("exponent 3", rsa_of(odd(256), &[3])),
        ("an even exponent", rsa_of(odd(256), &[1, 0, 2])),
        ("a huge exponent", rsa_of(odd(256), &[1, 0, 0, 0, 1])),
        ("no exponent", rsa_of(odd(256), &[0])),
        ("a point off the curve", but(p384.clone(), "x", json!(b64([1; 48])))),
        ("a short coordinate", but(p384.clone(), "x", json!(b64([1; 47])))),
        ("a point of another curve", but(p384.clone(), "crv", json!("P-256"))),
        ("an unknown curve", but(p384.clone(), "crv", json!("P-521"))),
        ("a private key", but(p384.clone(), "d", json!(b64([1; 48])))),
        ("a secret", json!({ "kty": "oct", "kid": "s", "k": b64([1; 48]) })),
        ("no kid", but(p384.clone(), "kid", Value::Null)),
        ("for something else", but(p384.clone(), "use", json!("enc"))),
        ("no key", json!("x")),
    ] {
        assert!(Keys::read(set(std::slice::from_ref(&key)).as_bytes()).is_err(), "{what}");
        assert_eq!(Keys::usable(set(&[key, rsa.clone()]).as_bytes()).unwrap().count(), 1, "{what}");
    }
    for text in ["", "[]", "{}", "{\"keys\":[]}", "{\"keys\":{}}"] {
        assert!(Keys::read(text.as_bytes()).is_err(), "{text}");
        assert!(Keys::usable(text.as_bytes()).is_err(), "{text}");
    }
    assert!(Keys::usable(set(&vec![p384.clone(); 1_000]).as_bytes()).is_err());
    assert!(Keys::usable(set(&[but(p384, "x5c", json!("x".repeat(1 << 20)))]).as_bytes()).is_err());
}
