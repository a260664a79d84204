//! The report for people: one HTML file that needs nothing else.
//!
//! [`page`] makes it from an alignment and what was measured for it. The page is a template
//! (`report/page.html`) with its own style and script; every name that comes from a file is escaped
//! by the template engine, and a content security policy lets nothing but this script run and
//! nothing be fetched. Curves are drawn here (`plot`), so that the page is complete without script
//! and on paper.

mod chart;
mod cut;
mod plot;
mod rows;
#[cfg(test)]
mod tests;
mod view;
mod wave;
mod words;

use coeval::{Error, ErrorKind, Result};
use coeval_shoot::Measured;
use coeval_shoot::alignment::Alignment;
use coeval_shoot::lag_map::LagMap;
use coeval_shoot::listen::Check;
use coeval_shoot::pictures::Pictures;
use minijinja::{AutoEscape, Environment};

use crate::layout::Layout;
use crate::lists::Mark;
use crate::timecode::Timecode;
use view::View;

pub(crate) use cut::{cut_in, with_cut};

/// What a report is made from.
#[derive(Debug)]
pub struct Report<'a> {
    /// What it is called.
    pub title: &'a str,
    /// The result.
    pub alignment: &'a Alignment,
    /// The result on frames.
    pub layout: &'a Layout,
    /// Timecode of timeline zero.
    pub start: Timecode,
    /// What was measured, by file; empty: the report has no levels.
    pub measured: &'a [(String, Result<Measured>)],
    /// Listening checks, couple by couple; empty: the report has no such part.
    pub checks: &'a [Check],
    /// How alike clips and recorders sound around their placement; a clip that is not in it has no such picture.
    pub maps: &'a [LagMap],
    /// Small pictures of the clips; none: the report has no such rows.
    pub pictures: &'a Pictures,
    /// Markers on the timeline.
    pub marks: &'a [Mark],
    /// Other events of the shoot, which have reports of their own.
    pub others: &'a [Elsewhere],
}

/// The report of another event.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Elsewhere {
    /// What it is called: `Event 2`.
    pub name: String,
    /// What it holds, in words.
    pub words: String,
    /// Where its report is, relative to this one, with `/` between folders.
    pub href: String,
}

pub(crate) const STYLE: &str = include_str!("report/page.css");
pub(super) const SCRIPT: &str = include_str!("report/page.js");

/// Makes the page.
///
/// # Errors
/// [`Internal`](ErrorKind::Internal) when the template does not fit, which no input can bring about.
pub fn page(report: &Report<'_>) -> Result<String> {
    let failed = |e: minijinja::Error| Error::new(ErrorKind::Internal, "cannot make the report").with_source(e);
    let mut environment = Environment::new();
    environment.set_auto_escape_callback(|_| AutoEscape::Html);
    environment.add_template("page", include_str!("report/page.html")).map_err(failed)?;
    let template = environment.get_template("page").map_err(failed)?;
    let first = report.alignment.first_event();
    let report = Report { alignment: &first, ..*report };
    template.render(minijinja::value::Serde(View::new(&report).page())).map_err(failed)
}
