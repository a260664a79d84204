//! Options that are numbers or switches, declared once: field, documentation, default and range.
//!
//! [`options!`](crate::options!) makes a struct with public fields, its `Default`, and an [`OptionTable`]: the same
//! options by name. The command makes its arguments from the table, Python hands values over by name, and a test holds
//! the C and Python documentation against it.

use std::ops::RangeInclusive;

use crate::error::{Error, Result};

/// An option of a struct.
#[derive(Debug, Clone, PartialEq)]
pub struct OptionRow {
    /// Name of the field. Its ending is the unit: `_s`, `_db`, `_lufs`, `_dbtp`, `_ppm`.
    pub name: &'static str,
    /// Documentation of the field, line by line.
    pub doc: &'static [&'static str],
    /// Lowest and highest value; a switch has 0 and 1.
    pub range: RangeInclusive<f64>,
}

/// Options by name. Made by [`options!`](crate::options!).
pub trait OptionTable: Default {
    /// All options that are numbers or switches.
    const ROWS: &'static [OptionRow];

    /// The option of this name, to be read or set.
    fn option(&mut self, name: &str) -> Option<&mut dyn OptionValue>;

    /// The default of an option; `None` when there is none, or no such option.
    fn default_of(name: &str) -> Option<f64> {
        Self::default().option(name)?.number()
    }

    /// Whether an option is on or off, and no number.
    fn is_switch(name: &str) -> bool {
        Self::default().option(name).is_some_and(|o| o.is_switch())
    }

    /// Sets an option: a number, or 0 and 1 for a switch. [`check_ranges`](Self::check_ranges) looks at its range.
    ///
    /// # Errors
    /// [`InvalidArgument`](crate::ErrorKind::InvalidArgument) when there is no such option, or it is a whole number and
    /// the value is not.
    fn set(&mut self, name: &str, value: f64) -> Result<()> {
        let option = self.option(name).ok_or_else(|| Error::invalid(format!("no option is called {name:?}")))?;
        if option.put(value) { Ok(()) } else { Err(Error::invalid(format!("{name} is {value}, not a whole number"))) }
    }

    /// Refuses values out of their ranges.
    ///
    /// # Errors
    /// [`InvalidArgument`](crate::ErrorKind::InvalidArgument), naming the option.
    fn check_ranges(&self) -> Result<()>
    where
        Self: Clone,
    {
        let mut own = self.clone();
        for OptionRow { name, range, .. } in Self::ROWS {
            if let Some(value) = own.option(name).and_then(|o| o.number()).filter(|v| !range.contains(v)) {
                let (low, high) = (range.start(), range.end());
                return Err(Error::invalid(format!("{name} is {value}, not within {low} to {high}")));
            }
        }
        Ok(())
    }
}

/// What an option of an [`OptionTable`] may hold.
pub trait OptionValue {
    /// Whether it is on or off, and no number.
    fn is_switch(&self) -> bool {
        false
    }
    /// Its value; `None` when it is not set.
    fn number(&self) -> Option<f64>;
    /// Sets it; `false` when it cannot hold the value.
    fn put(&mut self, value: f64) -> bool;
}

impl OptionValue for f64 {
    fn number(&self) -> Option<f64> {
        Some(*self)
    }
    fn put(&mut self, value: f64) -> bool {
        *self = value;
        true
    }
}

impl OptionValue for f32 {
    /// The number that is written the same way: 0.1, and not what the nearest `f32` is to more digits.
    fn number(&self) -> Option<f64> {
        self.to_string().parse().ok()
    }
    fn put(&mut self, value: f64) -> bool {
        *self = value as f32;
        true
    }
}

impl OptionValue for Option<f64> {
    fn number(&self) -> Option<f64> {
        *self
    }
    fn put(&mut self, value: f64) -> bool {
        *self = Some(value);
        true
    }
}

impl OptionValue for u32 {
    fn number(&self) -> Option<f64> {
        Some(f64::from(*self))
    }
    fn put(&mut self, value: f64) -> bool {
        *self = value as u32;
        f64::from(*self) == value
    }
}

impl OptionValue for bool {
    fn is_switch(&self) -> bool {
        true
    }
    fn number(&self) -> Option<f64> {
        Some(f64::from(u8::from(*self)))
    }
    fn put(&mut self, value: f64) -> bool {
        *self = value == 1.0;
        [0.0, 1.0].contains(&value)
    }
}

/// Declares a struct of options: first those that are numbers or switches, each with its default and its range, then,
/// after `and`, those that are neither, each with its default.
///
/// ```
/// coeval::options! {
///     /// How a gate works.
///     #[derive(Debug, Clone)]
///     pub struct GateOptions {
///         /// It opens above this, dB.
///         pub open_db: f64 = -40.0, -120.0..=0.0;
///         /// Whether it closes at all.
///         pub closes: bool = true, 0.0..=1.0;
///     } and {
///         /// What it is called.
///         pub name: String = String::new();
///     }
/// }
/// use coeval::options::OptionTable;
///
/// let mut options = GateOptions::default();
/// options.set("open_db", 3.0)?;
/// assert_eq!(options.check_ranges().unwrap_err().message(), "open_db is 3, not within -120 to 0");
/// # Ok::<(), coeval::Error>(())
/// ```
#[macro_export]
macro_rules! options {
    (
        $(#[$meta:meta])*
        pub struct $name:ident {
            $($(#[doc = $doc:literal])* pub $number:ident: $number_type:ty = $default:expr, $range:expr;)*
        } and {
            $($(#[$other_meta:meta])* pub $other:ident: $other_type:ty = $other_default:expr;)*
        }
    ) => {
        $(#[$meta])*
        pub struct $name {
            $($(#[doc = $doc])* pub $number: $number_type,)*
            $($(#[$other_meta])* pub $other: $other_type,)*
        }

        impl ::std::default::Default for $name {
            fn default() -> Self {
                Self { $($number: $default,)* $($other: $other_default,)* }
            }
        }

        impl $crate::options::OptionTable for $name {
            const ROWS: &'static [$crate::options::OptionRow] = &[$(
                $crate::options::OptionRow { name: stringify!($number), doc: &[$($doc),*], range: $range }
            ),*];

            fn option(&mut self, name: &str) -> Option<&mut dyn $crate::options::OptionValue> {
                match name {
                    $(stringify!($number) => Some(&mut self.$number),)*
                    _ => None,
                }
            }
        }
    };
}
