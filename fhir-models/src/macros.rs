//! The few shapes that repeat for every code, choice element and resource.

/// An enum of the codes of a required binding, which serde reads and writes as their text.
macro_rules! codes {
    ($(#[$doc:meta])* $name:ident of $system:literal { $($codes:tt)+ }) => {
        code_enum! { $(#[$doc])* $name of $system { $($codes)+ } }
        crate::codes::code_traits!($name);
    };
}

/// An enum whose variants are known by a text.
macro_rules! code_enum {
    ($(#[$doc:meta])* $name:ident of $system:literal { $($variant:ident = $code:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $name {
            $(#[doc = concat!("`", $code, "`")] $variant),+
        }

        impl $name {
            /// Where the codes are defined.
            pub const SYSTEM: &'static str = $system;
            /// Every code, in the order R4 lists them.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The code as R4 writes it.
            pub const fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $code),+ }
            }

            /// The code of this text, if it is one.
            pub fn from_code(text: &str) -> Option<Self> {
                match text { $($code => Some(Self::$variant),)+ _ => None }
            }
        }
    };
}

/// An enum over the fields of a choice element, and the accessor that refuses two of them.
macro_rules! choice {
    (
        $(#[$doc:meta])*
        $choice:ident of $owner:ident :: $accessor:ident $element:literal {
            $($variant:ident($type:ty) = $field:ident),+ $(,)?
        }
    ) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq)]
        pub enum $choice<'a> {
            $(#[doc = concat!("`", stringify!($field), "`")] $variant(&'a $type)),+
        }

        impl $owner {
            #[doc = concat!("The one value of `", $element, "`; two of them are an error.")]
            pub fn $accessor(&self) -> Result<Option<$choice<'_>>, crate::ParseError> {
                let mut found = None;
                $(
                    if let Some(value) = &self.$field {
                        if found.is_some() {
                            return Err(crate::check::two_choices($element));
                        }
                        found = Some($choice::$variant(value));
                    }
                )+
                Ok(found)
            }
        }
    };
}

/// What every resource type can do, compiled once here and not in each crate that reads it.
macro_rules! resource {
    ($name:ident) => {
        impl crate::resource::Resource for $name {
            const TYPE: crate::resource::ResourceType = crate::resource::ResourceType::$name;

            fn read(text: &str) -> Result<Self, serde_json::Error> {
                crate::json::shape::from_str(text)
            }

            fn write(&self) -> Vec<u8> {
                // Nothing here can fail to be JSON: no maps with odd keys, no fallible Serialize
                serde_json::to_vec(self).unwrap_or_default()
            }

            fn id(&self) -> Option<&str> {
                self.id.as_deref()
            }

            fn meta(&self) -> Option<&crate::datatypes::Meta> {
                self.meta.as_ref()
            }

            fn contained(&self) -> &[crate::resource::RawResource] {
                contained_of!($name, self)
            }
        }
    };
}

/// Bundle and Parameters are Resources but not DomainResources: nothing can be contained in them.
macro_rules! contained_of {
    (Bundle, $resource:expr) => {
        &[]
    };
    (Parameters, $resource:expr) => {
        &[]
    };
    ($name:ident, $resource:expr) => {
        &$resource.contained
    };
}
