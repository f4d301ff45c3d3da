//! What is checked on a real Linux kernel: the live source and `dropline watch`, against
//! senders and adapters that are not dropline's own.
//!
//! Where the machine has no CAN, a test is reported as ignored, with the reason. With
//! `DROPLINE_LIVE=required` that is a failure: so `.ci/run` runs them, in the kernel that
//! `can-kernel` boots.

mod adapter;
mod block_disk;
mod bus;
mod clip_on;
mod clock;
mod cost;
mod crowd;
mod ending;
mod faults;
mod flood;
mod following;
mod frames;
mod newcomer;
mod page;
mod power_cut;
mod process;
mod read_only;
mod refusal;
mod running;
mod service;
mod sleep;
mod speaker;
mod systemd;
#[path = "../common/tmux.rs"]
mod tmux;
#[path = "../common/trials.rs"]
mod trials;
mod unattended;
mod view;

use std::process::ExitCode;

pub use trials::Absent;
use trials::{Test, is_set};

const TESTS: &[(&str, Test)] = &[
    ("refusal::bad_interfaces_are_one_clear_line", refusal::bad_interfaces_are_one_clear_line),
    ("refusal::an_interface_that_is_down", refusal::an_interface_that_is_down),
    ("refusal::an_active_controller", refusal::an_active_controller),
    ("refusal::another_bit_rate", refusal::another_bit_rate),
    ("frames::every_kind_in_order_with_its_time", frames::every_kind_in_order_with_its_time),
    ("frames::a_controller_that_only_listens", frames::a_controller_that_only_listens),
    ("frames::the_capture_gives_the_same_summary", frames::the_capture_gives_the_same_summary),
    ("frames::a_controller_that_restarts", frames::a_controller_that_restarts),
    ("view::a_marked_moment", view::a_marked_moment),
    ("newcomer::each_point_is_told_as_it_is_seen", newcomer::each_point_is_told_as_it_is_seen),
    ("page::over_an_interface_that_goes_away", page::over_an_interface_that_goes_away),
    ("page::two_hundred_readers_cost_no_frame", page::two_hundred_readers_cost_no_frame),
    ("adapter::error_frames_and_states", adapter::error_frames_and_states),
    ("adapter::unplugged_and_plugged_in_again", adapter::unplugged_and_plugged_in_again),
    ("adapter::back_but_able_to_send", adapter::back_but_able_to_send),
    ("adapter::taken_down_and_up", adapter::taken_down_and_up),
    ("clip_on::what_an_adapter_is_set_to", clip_on::what_an_adapter_is_set_to),
    ("clip_on::a_silent_trunk_leaves_all", clip_on::a_silent_trunk_leaves_all_as_it_was),
    ("clip_on::the_bit_rate_is_found", clip_on::the_bit_rate_is_found_by_listening_only),
    ("clip_on::the_search_ended_or_failed", clip_on::the_bit_rate_search_is_ended_or_fails),
    ("ending::by_signal_and_by_itself", ending::by_signal_and_by_itself),
    ("ending::killed", ending::killed),
    ("ending::disk_full", ending::disk_full),
    (
        "following::every_frame_with_its_meaning_as_it_goes_by",
        following::every_frame_with_its_meaning_as_it_goes_by,
    ),
    ("following::it_refuses_what_a_watch_refuses", following::it_refuses_what_a_watch_refuses),
    ("unattended::a_capture_in_pieces_is_the_watch", unattended::a_capture_in_pieces_is_the_watch),
    ("unattended::what_happens_is_kept_and_told", unattended::what_happens_is_kept_and_told),
    ("unattended::a_program_that_hangs", unattended::a_program_that_hangs),
    ("crowd::many_watches_in_one_directory", crowd::many_watches_in_one_directory),
    ("crowd::within_32_megabytes", crowd::within_32_megabytes),
    ("clock::no_piece_goes_and_pieces_go_on", clock::no_piece_goes_and_pieces_go_on),
    ("unattended::two_watches_serve_metrics", unattended::two_watches_serve_metrics),
    ("unattended::a_service_manager_hears_of_it", unattended::a_service_manager_hears_of_it),
    ("service::from_its_start_to_its_end", service::from_its_start_to_its_end),
    ("service::a_package_and_one_line", service::a_package_and_one_line),
    ("faults::disk_full_and_free_again", faults::disk_full_and_free_again),
    ("faults::slow_disk", faults::slow_disk),
    ("faults::read_only_disk_and_none_at_all", faults::read_only_disk_and_none_at_all),
    ("power_cut::all_but_the_last_second_is_there", power_cut::all_but_the_last_second_is_there),
    ("read_only::for_a_while", read_only::for_a_while),
    ("read_only::for_good", read_only::for_good),
    ("read_only::a_device_that_fails", read_only::a_device_that_fails_for_a_while),
    ("read_only::with_the_summary_on_it", read_only::with_the_summary_on_it),
    ("faults::pulled_and_put_back_twenty_times", faults::pulled_and_put_back_twenty_times),
    ("faults::driver_reset_again_and_again", faults::driver_reset_again_and_again),
    ("faults::link_flapping", faults::link_flapping),
    ("faults::interface_renamed", faults::interface_renamed),
    ("faults::clock_set_back_and_forward", faults::clock_set_back_and_forward),
    ("faults::bit_rate_changed_under_way", faults::bit_rate_changed_under_way),
    ("faults::bus_off_storm", faults::bus_off_storm),
    ("cost::beside_an_empty_reader", cost::beside_an_empty_reader),
    ("flood::forty_thousand_frames_a_second", flood::forty_thousand_frames_a_second),
    ("flood::every_loss_is_counted_in_its_place", flood::every_loss_is_counted_in_its_place),
];

/// In a machine of their own, which sleeps.
const ASLEEP: &[(&str, Test)] = &[("sleep::the_computer_sleeps", sleep::the_computer_sleeps)];

fn main() -> ExitCode {
    // One at a time: they share the machine's interfaces, and some measure how fast it is.
    let asleep = is_set("DROPLINE_CAN_KERNEL", "asleep");
    trials::run(if asleep { ASLEEP } else { TESTS }, is_set("DROPLINE_LIVE", "required"), Some(1))
}
