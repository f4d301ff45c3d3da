//! An adapter on a serial line, emulated up to the kernel's own driver: error frames, states,
//! counters, unplugging.

use serde_json::{Value, json};

use super::Absent;
use super::bus::{ip, is_emulated, sent};
use super::process::{Process, python};
use super::running::{Left, Watch};

pub const NAME: &str = "dlusb";

/// The adapter, plugged in.
pub struct Adapter(Process);

impl Adapter {
    pub fn plug_in(mode: &[&str]) -> Result<Adapter, Absent> {
        if !is_emulated() {
            let reason = "only the emulated kernel is sure to have the adapter's driver";
            return Err(Absent(reason.into()));
        }
        let arguments = [&[NAME, "125000"][..], mode].concat();
        let mut process = Process::speaking(&mut python("adapter.py", &arguments));
        assert_eq!(process.next_line(), "ready");
        Ok(Adapter(process))
    }

    /// Carries out a command that is answered by `done`.
    pub fn does(&mut self, command: &str) {
        self.0.say(command);
        assert_eq!(self.0.next_line(), "done");
    }

    /// How it was opened since it was plugged in: mode and bit rate, each time.
    pub fn opened(&mut self) -> Vec<String> {
        self.0.say("opened");
        self.0.next_line().split("; ").map(String::from).collect()
    }

    pub fn unplug(mut self) {
        assert_eq!(sent(NAME), 0, "the watch sent something");
        self.does("unplug");
        assert!(self.0.ended().0.success());
    }
}

/// The records without their times.
fn timeless(left: &Left) -> Vec<Value> {
    let mut records = left.records();
    let mut last = 0;
    for record in &mut records {
        let t = record.as_object_mut().unwrap().remove("t_ns").unwrap().as_i64().unwrap();
        assert!(t >= last, "{record} is earlier than the record before it");
        last = t;
    }
    records
}

fn error(class: &str, data: &str) -> Value {
    json!({"error": class, "data": data})
}

/// What the driver makes of each (linux/can/error.h for the bits).
pub fn error_frames_and_states() -> Result<(), Absent> {
    let mut adapter = Adapter::plug_in(&["listen-only"])?;
    let watch = Watch::start(NAME, &[]);
    for command in [
        "frame 45D 01020304",
        "error stuff",
        "error form",
        "error crc",
        "error ack",
        "error bit0",
        "error bit1",
        "error overrun",
        "state warning 12 96",
        "state passive 140 128",
        "state bus-off 248 0",
        "state active 0 0",
        "frame 18FF10AA -",
    ] {
        adapter.does(command);
    }
    std::thread::sleep(std::time::Duration::from_millis(500));
    let left = watch.stop();
    assert_eq!(
        timeless(&left),
        [
            json!({"id": "45D", "data": "01020304"}),
            error("00000088", "0000040000000000"),
            error("00000088", "0000020000000000"),
            error("00000088", "0000010800000000"),
            error("000000A8", "0000001900000000"),
            error("00000088", "0000080000000000"),
            error("00000088", "0000100000000000"),
            error("0000008C", "0001000000000000"),
            error("00000204", "0004000000000C60"),
            error("00000204", "0020000000008C80"),
            error("00000040", "0000000000000000"),
            error("00000204", "0040000000000000"),
            json!({"id": "18FF10AA", "data": ""}),
        ]
    );
    let errors = &left.summary["errors"];
    assert_eq!(errors["frames"], 11);
    let causes = &errors["causes"];
    for (cause, count) in
        [("stuff", 1), ("form", 1), ("crc", 1), ("ack", 1), ("bit", 2), ("receive_overflow", 1)]
    {
        assert_eq!(causes[cause], count, "{cause}: {causes}");
    }
    assert_eq!(errors["warnings"], 1);
    assert_eq!(errors["passives"], 1);
    assert_eq!(errors["bus_offs"], 1);
    assert_eq!(left.header["listen_only"], true);
    left.replay_agrees();
    adapter.unplug();
    Ok(())
}

pub fn unplugged_and_plugged_in_again() -> Result<(), Absent> {
    let mut adapter = Adapter::plug_in(&["listen-only"])?;
    let mut watch = Watch::start(NAME, &[]);
    adapter.does("frame 45D 01");
    adapter.unplug();
    let said = watch.complains("type can bitrate");
    assert!(said.contains("unplugged") && said.contains("125000 listen-only on"), "{said}");
    let mut adapter = Adapter::plug_in(&["listen-only"])?;
    watch.complains("listening");
    adapter.does("frame 45D 02");
    std::thread::sleep(std::time::Duration::from_millis(300));
    let left = watch.stop();
    assert_eq!(
        timeless(&left),
        [
            json!({"id": "45D", "data": "01"}),
            json!({"link": "down", "why": "adapter unplugged"}),
            json!({"link": "up"}),
            json!({"id": "45D", "data": "02"}),
        ]
    );
    assert_eq!(left.summary["source"]["link_downs"], 1);
    assert_eq!(left.summary["source"]["frames"], 2);
    left.replay_agrees();
    adapter.unplug();
    Ok(())
}

/// An adapter that comes back able to send is kept off until it is set right.
pub fn back_but_able_to_send() -> Result<(), Absent> {
    let adapter = Adapter::plug_in(&["listen-only"])?;
    let mut watch = Watch::start(NAME, &[]);
    adapter.unplug();
    watch.complains("unplugged");
    let mut adapter = Adapter::plug_in(&[])?;
    let said = watch.complains("not in listen-only mode");
    adapter.does("frame 45D 01");
    ip(&["link", "set", NAME, "down"]);
    ip(&["link", "set", NAME, "type", "can", "bitrate", "125000", "listen-only", "on"]);
    ip(&["link", "set", NAME, "up"]);
    watch.complains("listening");
    adapter.does("frame 45D 02");
    std::thread::sleep(std::time::Duration::from_millis(300));
    let left = watch.stop();
    let records = timeless(&left);
    let [down, mark, up, frame] = &records[..] else { panic!("{records:?}") };
    assert_eq!(down["link"], "down");
    assert!(mark["mark"].as_str().unwrap().contains("not in listen-only mode"), "{mark}");
    assert_eq!(up["link"], "up");
    assert_eq!(frame["data"], "02");
    let again = left.complaints.iter().filter(|line| said.contains(line.as_str())).count();
    assert_eq!(again, 0, "said once: {:?}", left.complaints);
    left.replay_agrees();
    adapter.unplug();
    Ok(())
}

/// Set down and up again by somebody: a restart after bus-off, too, is made that way.
pub fn taken_down_and_up() -> Result<(), Absent> {
    let mut adapter = Adapter::plug_in(&["listen-only"])?;
    let mut watch = Watch::start(NAME, &[]);
    adapter.does("state bus-off 248 0");
    ip(&["link", "set", NAME, "down"]);
    watch.complains("set down");
    ip(&["link", "set", NAME, "up"]);
    watch.complains("listening");
    adapter.does("frame 45D 02");
    std::thread::sleep(std::time::Duration::from_millis(300));
    let left = watch.stop();
    assert_eq!(
        timeless(&left),
        [
            error("00000040", "0000000000000000"),
            json!({"link": "down", "why": "interface set down"}),
            json!({"link": "up"}),
            json!({"id": "45D", "data": "02"}),
        ]
    );
    assert_eq!(left.summary["errors"]["bus_offs"], 1);
    left.replay_agrees();
    adapter.unplug();
    Ok(())
}
