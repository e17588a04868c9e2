//! SMART scopes of systems: `system/Type.cruds`, and the older `.read`, `.write` and `.*`
//! (SMART App Launch 2.2, "Scopes for requesting clinical data").

use std::collections::BTreeMap;
use std::fmt;

/// What may be done with the documents of a type: create, read, update, delete, search.
#[derive(Clone, Copy, PartialEq, Eq, Default)]
pub struct Rights(u8);

/// Each right with its letter, in the order in which a scope has them.
const LETTERS: [(char, Rights); 5] = [
    ('c', Rights::CREATE),
    ('r', Rights::READ),
    ('u', Rights::UPDATE),
    ('d', Rights::DELETE),
    ('s', Rights::SEARCH),
];

impl Rights {
    /// Nothing.
    pub const NONE: Rights = Rights(0);
    /// Documents under an id that the server gives.
    pub const CREATE: Rights = Rights(1);
    /// One document, its versions and its history.
    pub const READ: Rights = Rights(2);
    /// Replacing and patching, also where that brings a document about.
    pub const UPDATE: Rights = Rights(4);
    /// Deleting.
    pub const DELETE: Rights = Rights(8);
    /// Searching, and the histories of a type and of everything.
    pub const SEARCH: Rights = Rights(16);
    /// All of them.
    pub const ALL: Rights = Rights(31);

    /// These and those.
    pub const fn and(self, more: Rights) -> Rights {
        Rights(self.0 | more.0)
    }

    /// Those of these that are also in `limit`.
    pub const fn within(self, limit: Rights) -> Rights {
        Rights(self.0 & limit.0)
    }

    /// Whether all of `wanted` are among them.
    pub const fn hold(self, wanted: Rights) -> bool {
        self.0 & wanted.0 == wanted.0
    }

    /// The part of a scope after the dot.
    fn read(text: &str) -> Option<Rights> {
        match text {
            "read" => return Some(Rights::READ.and(Rights::SEARCH)),
            "write" => return Some(Rights::CREATE.and(Rights::UPDATE).and(Rights::DELETE)),
            "*" => return Some(Rights::ALL),
            _ => {}
        }
        let mut left = text.chars().peekable();
        let mut rights = Rights::NONE;
        for (letter, right) in LETTERS {
            if left.next_if_eq(&letter).is_some() {
                rights = rights.and(right);
            }
        }
        (left.peek().is_none() && rights != Rights::NONE).then_some(rights)
    }
}

impl fmt::Display for Rights {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        LETTERS
            .iter()
            .filter(|(_, right)| self.hold(*right))
            .try_for_each(|(letter, _)| write!(f, "{letter}"))
    }
}

impl fmt::Debug for Rights {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self}")
    }
}

/// Types that the star does not mean: who may read what everybody did is named.
const NAMED_ONLY: [&str; 1] = ["AuditEvent"];

/// What is allowed, by type.
#[derive(Clone, PartialEq, Eq, Default, Debug)]
pub struct Scopes {
    /// With whatever type, but for [`NAMED_ONLY`].
    every: Rights,
    /// With a type, beside that.
    of: BTreeMap<String, Rights>,
}

/// A scope that is not understood. It is refused, never passed over: a restriction that is ignored allows too much.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("\"{0}\" is not a scope that is understood here; expected system/Type.cruds without parameters")]
pub struct NotUnderstood(pub String);

impl Scopes {
    /// Reads scopes separated by spaces.
    ///
    /// # Errors
    /// The first that is not understood.
    pub fn read(text: &str) -> Result<Scopes, NotUnderstood> {
        let mut scopes = Scopes::default();
        for scope in words(text) {
            scopes.add(scope).ok_or_else(|| NotUnderstood(scope.to_owned()))?;
        }
        Ok(scopes)
    }

    /// Those of the scopes that are understood: for tokens that others give out, which may say more than is for us.
    pub fn understood(text: &str) -> Scopes {
        let mut scopes = Scopes::default();
        for scope in words(text) {
            scopes.add(scope);
        }
        scopes
    }

    fn add(&mut self, scope: &str) -> Option<()> {
        let (kind, rights) = scope.strip_prefix("system/")?.split_once('.')?;
        let rights = Rights::read(rights)?;
        if kind == "*" {
            self.every = self.every.and(rights);
            return Some(());
        }
        let named = kind.starts_with(|c: char| c.is_ascii_uppercase())
            && kind.chars().all(|c| c.is_ascii_alphabetic());
        if !named {
            return None;
        }
        let of = self.of.entry(kind.to_owned()).or_default();
        *of = of.and(rights);
        Some(())
    }

    /// What may be done with a type.
    pub fn of(&self, kind: &str) -> Rights {
        let named = self.of.get(kind).copied().unwrap_or_default();
        if NAMED_ONLY.contains(&kind) { named } else { self.every.and(named) }
    }

    /// What may be done with every type.
    pub fn of_every(&self) -> Rights {
        self.every
    }

    /// The types that are named.
    pub fn named(&self) -> impl Iterator<Item = &str> {
        self.of.keys().map(String::as_str)
    }

    /// What both these and `limit` allow.
    pub fn within(&self, limit: &Scopes) -> Scopes {
        let every = self.every.within(limit.every);
        let named = self.of.keys().chain(limit.of.keys());
        let of = named.map(|kind| (kind.clone(), self.of(kind).within(limit.of(kind))));
        let told = |kind: &str, rights| every.hold(rights) && !NAMED_ONLY.contains(&kind);
        let of = of.filter(|(kind, rights)| *rights != Rights::NONE && !told(kind, *rights)).collect();
        Scopes { every, of }
    }

    /// Whether nothing is allowed.
    pub fn is_empty(&self) -> bool {
        self.every == Rights::NONE && self.of.values().all(|rights| *rights == Rights::NONE)
    }
}

fn words(text: &str) -> impl Iterator<Item = &str> {
    text.split(' ').filter(|word| !word.is_empty())
}

impl fmt::Display for Scopes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let every = (self.every != Rights::NONE).then_some(("*", &self.every));
        let named = self.of.iter().map(|(kind, rights)| (kind.as_str(), rights));
        for (index, (kind, rights)) in every.into_iter().chain(named).enumerate() {
            let space = if index == 0 { "" } else { " " };
            write!(f, "{space}system/{kind}.{rights}")?;
        }
        Ok(())
    }
}
