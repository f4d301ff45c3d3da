//! A systemd of its own, with udev, for what is run as a service: it is the first process of
//! namespaces of its own, and finds a few units and no more.

use std::fs;
use std::os::unix::fs::symlink;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;

use super::Absent;
use super::bus::is_emulated;
use super::process::PATIENCE;
use super::running::text;

const SYSTEMD: &str = "/lib/systemd/systemd";
/// The units of the package.
const OF_PACKAGE: [&str; 3] =
    ["dropline@.service", "dropline-settings.path", "dropline-settings.service"];

/// A systemd with udev and the service.
pub struct Manager {
    unshare: Child,
    /// The first process of its namespaces, as it is numbered here.
    first: String,
    _units: TempDir,
}

impl Manager {
    /// `of_package`: the units are those that the package brings, which is installed later.
    pub fn start(of_package: bool) -> Result<Manager, Absent> {
        if !is_emulated() {
            return Err(Absent("only the emulated kernel may have a systemd of its own".into()));
        }
        if !Path::new(SYSTEMD).exists() {
            return Err(Absent(format!("there is no {SYSTEMD}")));
        }
        let units = TempDir::new().unwrap();
        let put = |name: &str, text: &str| fs::write(units.path().join(name), text).unwrap();
        for of_udev in ["udevd.service", "udevd-control.socket", "udevd-kernel.socket"] {
            let name = format!("systemd-{of_udev}");
            let path = format!("/lib/systemd/system/{name}");
            let unit = fs::read_to_string(&path).map_err(|e| Absent(format!("{path}: {e}")))?;
            put(&name, &unit);
        }
        // What every service refers to; the machine's own would start all of it.
        for target in ["sysinit", "basic", "sockets", "shutdown"] {
            put(&format!("{target}.target"), "[Unit]\nDefaultDependencies=no\n");
        }
        let udev = "systemd-udevd.service";
        let first = format!("[Unit]\nDefaultDependencies=no\nRequires={udev}\nAfter={udev}\n");
        put("first.target", &first);
        // What of dropline is there, or will be.
        let service = Path::new(env!("CARGO_MANIFEST_DIR")).join("shared/dropline@.service");
        match of_package {
            false => put("dropline@.service", &fs::read_to_string(service).unwrap()),
            true => OF_PACKAGE.iter().for_each(|name| {
                let installed = Path::new("/usr/lib/systemd/system").join(name);
                symlink(installed, units.path().join(name)).unwrap();
            }),
        }
        let script = format!(
            "mount -t tmpfs tmpfs /run && mkdir -p /run/systemd/system \
             && mount -t cgroup2 cgroup2 /sys/fs/cgroup \
             && exec env -i PATH=\"$PATH\" SYSTEMD_UNIT_PATH={} SYSTEMD_LOG_TARGET=console \
             {SYSTEMD} --system --unit=first.target",
            units.path().display()
        );
        let unshare = Command::new("unshare")
            .args(["-mpfCu", "--kill-child", "--mount-proc", "bash", "-c", &script])
            .stdin(Stdio::null())
            .spawn()
            .map_err(|error| Absent(format!("unshare: {error}")))?;
        let children = format!("/proc/{0}/task/{0}/children", unshare.id());
        let mut manager = Manager { unshare, first: String::new(), _units: units };
        manager.until("systemd is started", |manager| {
            manager.first = fs::read_to_string(&children).unwrap_or_default().trim().to_owned();
            !manager.first.is_empty()
        });
        manager.until("systemd is up", |manager| {
            manager.systemctl(&["is-active", "--quiet", "first.target"]).status.success()
        });
        Ok(manager)
    }

    /// Runs a command there.
    pub fn inside(&self, words: &[&str]) -> Output {
        let mut command = Command::new("nsenter");
        command.args(["-t", &self.first, "-a", "--"]).args(words);
        command.env("SYSTEMD_PAGER", "").env("SYSTEMD_COLORS", "0").output().unwrap()
    }

    pub fn systemctl(&self, words: &[&str]) -> Output {
        self.inside(&[&["systemctl"][..], words].concat())
    }

    /// A property of a unit.
    pub fn show(&self, unit: &str, property: &str) -> String {
        text(&self.systemctl(&["show", "-P", property, unit]).stdout).trim().to_owned()
    }

    pub fn until(&mut self, what: &str, holds: impl Fn(&mut Manager) -> bool) {
        let deadline = Instant::now() + PATIENCE;
        while !holds(self) {
            if let Some(status) = self.unshare.try_wait().unwrap() {
                panic!("{what}: systemd ended: {status}");
            }
            if Instant::now() > deadline {
                let status = self.systemctl(&["status", "--full", "dropline@*"]);
                panic!("not in time: {what}; {}", text(&status.stdout));
            }
            std::thread::sleep(Duration::from_millis(200));
        }
    }
}

impl Drop for Manager {
    fn drop(&mut self) {
        // The first process, and all in its namespaces with it.
        let _ = self.unshare.kill();
        let _ = self.unshare.wait();
    }
}
