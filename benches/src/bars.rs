//! The accuracy tables in small, held at their bars: a few shoots of most classes and unrelated pairs of each kind, on
//! sound made of noise where the program `accuracy` takes real voices and engines. What that finds stands in RESULTS.md.
#![allow(clippy::print_stdout, reason = "the figures are for people")]

use crate::shoots;
use crate::sim_sound::Material;
use crate::unrelated;

/// So many shoots of a class keep its limits. Each class is a test of its own, since much of one runs on one core. Left to
/// the program: what takes an hour, and the foreign file, whose people speak the same recorded words as the radio, since
/// the material of noise has but four voices.
fn keeps_its_limits(name: &str, count: usize) {
    let classes = shoots::classes();
    let class = classes.iter().find(|c| c.name == name).expect("a class of this name");
    let (row, _) = shoots::run_class(&Material::synthetic(1), class, count, 1, false).expect("runs");
    println!("{row:?}");
    // A 98th percentile of so few is the largest: what holds for all files is asked of each.
    let (placed_percent, _, all_ms) = class.limits.expect("limits");
    assert!(row.files >= count && row.placed_percent >= placed_percent, "{row:?}");
    assert!(row.error_ms[2] <= all_ms && row.false_sure == 0 && row.wrong == 0, "{row:?}");
    assert!(row.jumps[1] == row.jumps[0] && row.false_jumps == 0 && row.jump_errors_ms[0] <= 2.0, "{row:?}");
}

#[test]
fn a_few_seconds_of_talk_are_enough() {
    keeps_its_limits("3-6 s of talk, -9..0 dB", 4);
}

#[test]
fn talk_now_and_then_places_a_shoot() {
    keeps_its_limits("talk 5-30 %, -9 dB", 2);
}

#[test]
fn a_minute_of_faint_talk_places_a_shoot() {
    keeps_its_limits("20-60 s of talk, -16 dB", 2);
}

#[test]
fn jumps_are_found() {
    keeps_its_limits("jumps, -9..0 dB", 1);
}

#[test]
fn chapters_are_placed() {
    keeps_its_limits("chapters, -9..0 dB", 1);
}

#[test]
fn three_devices_are_placed() {
    keeps_its_limits("three devices, -9..0 dB", 1);
}

#[test]
fn what_shares_nothing_is_not_placed() {
    let pairs = unrelated::Kind::ALL.len();
    let found = unrelated::run(&Material::synthetic(1), pairs, 1, &[]).expect("runs");
    println!("{:?} of {} placed; of the related {:?}", found.false_placements, found.pairs, found.related);
    assert!(found.holds && found.false_placements == [0; 3], "{:?}", found.false_ones);
    assert!(found.related[2] == found.related[1] && found.related[1] > 0, "{:?}", found.related_ones);
}
