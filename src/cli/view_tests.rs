//! A panic while the view has the terminal, in a real one.

use super::*;
use crate::wire::Header;

#[path = "../../tests/common/tmux.rs"]
mod tmux;

/// Takes the terminal that it runs in, and panics.
#[test]
#[ignore = "runs inside the terminal of the test below"]
fn takes_the_terminal_and_panics() {
    let header = Header::starting("2026-03-02T06:30:00Z".parse().unwrap());
    let view = View::start(Subject {
        name: "can0".into(),
        header,
        live: true,
        zone: jiff::tz::TimeZone::UTC,
    })
    .unwrap();
    thread::sleep(Duration::from_secs(2));
    assert!(view.page().is_some(), "the sky fell");
}

#[test]
fn the_terminal_is_restored_after_a_panic() {
    let Some(terminal) = tmux::Terminal::open("panic", 80, 24) else { return };
    let program = tmux::quoted(&std::env::current_exe().unwrap());
    let test = "cli::view::tests::takes_the_terminal_and_panics";
    terminal.run(&format!(
        "RUST_BACKTRACE=0 {program} --exact {test} --ignored --nocapture; echo status $?"
    ));
    terminal.wait_for("Who is there");
    assert!(terminal.is("alternate_on"));
    let screen = terminal.wait_for("status 101");
    assert!(screen.contains("the sky fell"), "{screen}");
    terminal.assert_restored();
}
