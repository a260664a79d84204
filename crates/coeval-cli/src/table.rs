//! Arguments made from a table of options: a new number or switch in the library is an option of the command too.

use clap::error::ErrorKind;
use clap::{Arg, ArgAction, ArgMatches, Args, Command, FromArgMatches};
use coeval::options::{OptionRow, OptionTable};

/// Options of a struct whose arguments are not called as [`flag`] would call them, or that the command reads itself.
const OTHERS: [(&str, Option<&str>); 8] = [
    ("target_s", None),
    ("keep_radio", None),
    ("handle_s", Some("clearance")),
    ("pass_from_s", Some("speed-up")),
    ("pass_speed", Some("speed")),
    ("min_shot_s", Some("shot")),
    ("camera_db", Some("ambience-level")),
    ("trusted_times_s", Some("trust-times")),
];

/// Names that arguments had in version 0.1: taken for one more version, and not shown.
const EARLIER: [(&str, &str); 3] = [("handle_s", "handle"), ("pass_from_s", "pass"), ("camera_db", "camera-level")];

const UNITS: [&str; 8] = ["s", "h", "db", "dbtp", "lufs", "ppm", "m", "hz"];

/// Name of a field without its unit, and the unit.
fn unit(name: &str) -> (&str, Option<&str>) {
    match name.rsplit_once('_') {
        Some((rest, unit)) if UNITS.contains(&unit) => (rest, Some(unit)),
        _ => (name, None),
    }
}

/// What the argument of an option is called; `None` where the command reads it itself.
fn flag(row: &OptionRow) -> Option<String> {
    match OTHERS.iter().find(|o| o.0 == row.name) {
        Some((_, other)) => other.map(str::to_owned),
        None => Some(unit(row.name).0.replace('_', "-")),
    }
}

/// Options of a table, as the command line sets them.
#[derive(Debug, Clone)]
pub(crate) struct Table<T>(pub(crate) T);

impl<T: OptionTable> Args for Table<T> {
    fn augment_args(mut command: Command) -> Command {
        for row in T::ROWS {
            let Some(flag) = flag(row) else { continue };
            let words = row.doc.iter().map(|line| line.trim()).collect::<Vec<_>>().join(" ");
            let words = words.trim_end_matches('.').replace("[`", "").replace("`]", "");
            let mut arg = Arg::new(row.name).long(flag);
            if let Some((_, earlier)) = EARLIER.iter().find(|e| e.0 == row.name) {
                arg = arg.alias(*earlier);
            }
            command = command.arg(if T::is_switch(row.name) {
                arg.help(words).action(ArgAction::SetTrue)
            } else {
                // A number out of range is told its range; taken for an option it would get advice that does not help.
                let arg = arg.value_parser(clap::value_parser!(f64)).allow_negative_numbers(true);
                let arg = arg.value_name(unit(row.name).1.unwrap_or("n").to_uppercase());
                match T::default_of(row.name) {
                    Some(default) => arg.help(words).default_value(default.to_string()),
                    None => arg.help(words),
                }
            });
        }
        command
    }

    fn augment_args_for_update(command: Command) -> Command {
        Self::augment_args(command)
    }
}

impl<T: OptionTable> FromArgMatches for Table<T> {
    fn from_arg_matches(matches: &ArgMatches) -> Result<Self, clap::Error> {
        let mut table = Self(T::default());
        table.update_from_arg_matches(matches)?;
        Ok(table)
    }

    fn update_from_arg_matches(&mut self, matches: &ArgMatches) -> Result<(), clap::Error> {
        for row in T::ROWS.iter().filter(|row| flag(row).is_some()) {
            let value = match T::is_switch(row.name) {
                true => Some(f64::from(u8::from(matches.get_flag(row.name)))),
                false => matches.get_one::<f64>(row.name).copied(),
            };
            if let Some(value) = value {
                let set = self.0.set(row.name, value);
                set.map_err(|e| clap::Error::raw(ErrorKind::ValueValidation, format!("{}\n", e.message())))?;
            }
        }
        Ok(())
    }
}
