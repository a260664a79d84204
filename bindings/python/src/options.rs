//! Options that are numbers or switches, by name.

use std::collections::BTreeMap;

use coeval::MarkerOptions;
use coeval::options::OptionTable;
use coeval_cut::mix::MixLevels;
use coeval_cut::tighten::TightenOptions;
use coeval_shoot::Options;
use pyo3::prelude::*;

use crate::run::raise;

/// Values by the names of their options; `None`: the default.
pub(crate) type Numbers = BTreeMap<String, Option<f64>>;

/// The names of the options of each function.
pub(crate) fn names() -> BTreeMap<&'static str, Vec<&'static str>> {
    fn of<T: OptionTable>() -> Vec<&'static str> {
        T::ROWS.iter().map(|row| row.name).collect()
    }
    BTreeMap::from([
        ("align_shoot", of::<Options>()),
        ("markers", of::<MarkerOptions>()),
        ("render", of::<MixLevels>()),
        ("tighten", of::<TightenOptions>()),
    ])
}

/// Sets what is given.
pub(crate) fn set(py: Python<'_>, options: &mut impl OptionTable, numbers: &Numbers) -> PyResult<()> {
    let mut given = numbers.iter().filter_map(|(name, value)| Some((name, (*value)?)));
    given.try_for_each(|(name, value)| options.set(name, value)).map_err(|e| raise(py, &e))
}
