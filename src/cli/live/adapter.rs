//! `dropline adapter`: what an adapter is and is set to, whether it is safe to clip on, and
//! finding the trunk's bit rate.

use std::fmt::{self, Write};
use std::time::Duration;

use anyhow::bail;
use clap::Args;
use serde_json::json;

use crate::cli::arguments::{bitrate, duration};
use crate::cli::stop::{Stop, block_on};
use crate::cli::terminal::{CommandOutcome, print};
use crate::source::{AdapterStatus, BitrateTrial, Safety, find_bitrate};
use crate::wire::Bitrate;
use crate::words::{CAUTIONS, CLIP_ON};

/// What an adapter is set to, whether it is safe to clip on, and how to set it right
///
/// Without an interface it tells of every CAN interface of this machine. Exit status 1 if one is
/// not safe to clip on. With --find-bitrate it listens at each bit rate that a trunk can have,
/// never able to send, and leaves the interface at the one that fits: up, listen-only. If none
/// fits, or on Ctrl-C, it leaves the interface as it found it.
#[derive(Debug, Args)]
#[command(after_help = "Example: dropline adapter can0 --find-bitrate

Connecting to a trunk is work inside a cabinet: for qualified people, under the local codes and
the makers' manuals. Isolate and prove dead first; drives hold a charge after they are switched
off. dropline is not a safety device.")]
pub struct AdapterArgs {
    /// The CAN interface, such as can0
    #[arg(value_name = "IFACE")]
    interface: Option<String>,

    /// Find the bit rate of the trunk by listening at 125, 250 and 500 kbit/s; only root may
    #[arg(long, requires = "interface", conflicts_with = "bitrate")]
    find_bitrate: bool,

    /// How long to listen at each bit rate
    #[arg(long, value_name = "TIME", default_value = "3s", value_parser = duration)]
    each: Duration,

    /// The trunk's bit rate in bit/s, if it is known, for the command that sets it right
    #[arg(long, value_name = "N", value_parser = bitrate)]
    bitrate: Option<Bitrate>,

    /// As JSON
    #[arg(long)]
    json: bool,
}

pub fn run(args: &AdapterArgs) -> anyhow::Result<CommandOutcome> {
    match &args.interface {
        Some(name) if args.find_bitrate => find(args, name),
        Some(name) => tell(args, std::slice::from_ref(name)),
        None => match AdapterStatus::all() {
            all if all.is_empty() => bail!(
                "there is no CAN interface here; is the adapter plugged in, and its driver loaded?"
            ),
            all => tell(args, &all),
        },
    }
}

fn tell(args: &AdapterArgs, names: &[String]) -> anyhow::Result<CommandOutcome> {
    let adapters = names
        .iter()
        .map(|name| AdapterStatus::read(name, args.bitrate))
        .collect::<Result<Vec<_>, _>>()?;
    if args.json {
        let all = json!({"format": "dropline-adapter", "version": 1, "adapters": adapters});
        print(&format!("{all:#}\n"))?;
    } else {
        let mut out = String::new();
        for adapter in &adapters {
            // Writing to a string cannot fail.
            let _ = describe(&mut out, adapter);
        }
        print(&format!("{out}{CLIP_ON}\n{}\n", CAUTIONS.join("\n")))?;
    }
    let safe = adapters.iter().all(|adapter| adapter.safety.is_safe());
    Ok(if safe { CommandOutcome::Done } else { CommandOutcome::DoesNotHold })
}

fn describe(out: &mut String, adapter: &AdapterStatus) -> fmt::Result {
    let name = &adapter.interface;
    let verdict = match adapter.safety {
        Safety::ListensOnly => "safe to clip on: it only listens",
        Safety::Virtual => "safe: it is virtual, no trunk hangs on it",
        Safety::AbleToSend => {
            "NOT SAFE to clip on: it is able to send; on a wrong bit rate it would destroy live \
             traffic"
        }
        Safety::Unknown => {
            "NOT KNOWN to be safe to clip on: its driver does not say whether it only listens"
        }
    };
    writeln!(out, "{name}: {verdict}")?;
    let mut line = |what: &str, parts: Vec<Option<String>>| {
        let parts: Vec<String> = parts.into_iter().flatten().collect();
        if parts.is_empty() { Ok(()) } else { writeln!(out, "  {what:<12}{}", parts.join(", ")) }
    };
    line(
        "is",
        vec![
            adapter.product.clone(),
            adapter.kind.as_ref().map(|kind| format!("kind {kind}")),
            adapter.driver.as_ref().map(|driver| format!("driver {driver}")),
            adapter.bus.as_ref().map(|bus| format!("on {bus}")),
            adapter.clock_hz.map(|hz| format!("clock {} MHz", f64::from(hz) / 1e6)),
        ],
    )?;
    let rate = adapter.bitrate.map(|rate| {
        Bitrate::new(rate).map_or_else(|| format!("{rate} bit/s"), |rate| rate.to_string())
    });
    line(
        "set to",
        vec![
            Some(if adapter.is_up { "up" } else { "down" }.into()),
            rate.or_else(|| {
                (adapter.safety != Safety::Virtual).then(|| "no bit rate yet".to_string())
            }),
            adapter.sample_point.map(|point| format!("sample point {:.1} %", point * 100.0)),
            adapter.has_listen_only.filter(|has| !has).map(|_| "has no listen-only mode".into()),
            adapter.reports_errors.map(|on| {
                if on { "bus errors are reported" } else { "bus errors are NOT reported" }.into()
            }),
        ],
    )?;
    line(
        "controller",
        vec![
            adapter.state.map(String::from),
            adapter.transmit_errors.map(|count| format!("transmit error counter {count}")),
            adapter.receive_errors.map(|count| format!("receive error counter {count}")),
        ],
    )?;
    let traffic = adapter.traffic;
    line(
        "so far",
        vec![
            Some(format!("{} frames received", traffic.received)),
            Some(format!("{} sent", traffic.sent)),
            Some(format!("{} dropped", traffic.dropped)),
            Some(format!("{} receive errors", traffic.receive_errors)),
        ],
    )?;
    if let Some(troubles) = adapter.troubles.filter(|_| adapter.safety != Safety::Virtual) {
        line(
            "",
            vec![Some(format!(
                "{} bus errors; {} times warning, {} passive, {} bus-off, {} restarted",
                troubles.bus_errors,
                troubles.warnings,
                troubles.passives,
                troubles.bus_offs,
                troubles.restarts
            ))],
        )?;
    }
    match &adapter.set_up {
        Some(command) => {
            let note = match (adapter.safety, adapter.bitrate) {
                (Safety::Virtual, _) | (_, Some(_)) => "",
                _ => " (the bit rate must be the trunk's own; --find-bitrate finds it)",
            };
            writeln!(out, "  set it right with{note}:\n    {command}")?;
        }
        None => writeln!(out, "  ready:      dropline watch {name}")?,
    }
    writeln!(out)
}

fn find(args: &AdapterArgs, name: &str) -> anyhow::Result<CommandOutcome> {
    let mut trials = Vec::new();
    let mut printed = Ok(());
    let (found, stopped) = block_on(async {
        let mut stop = Stop::new(None)?;
        let mut stopped = false;
        let stop = async {
            stop.wait().await;
            stopped = true;
        };
        let mut tell = |trial: &BitrateTrial| {
            trials.push(trial.clone());
            if !args.json && printed.is_ok() {
                printed = print(&row(name, trial));
            }
        };
        let found = find_bitrate(name, args.each, stop, &mut tell).await?;
        anyhow::Ok((found, stopped))
    })??;
    printed?;
    let outcome = if found.is_some() { CommandOutcome::Done } else { CommandOutcome::DoesNotHold };
    if args.json {
        let trials: Vec<_> = trials
            .iter()
            .map(|trial| {
                json!({"bitrate": trial.bitrate.get(), "listened_s": trial.listened.as_secs_f64(),
                       "frames": trial.frames, "errors": trial.errors, "fits": trial.fits()})
            })
            .collect();
        let all = json!({"format": "dropline-bitrate", "version": 1, "interface": name,
                         "bitrate": found.map(Bitrate::get), "stopped": stopped,
                         "trials": trials});
        print(&format!("{all:#}\n"))?;
    } else {
        print(&conclusion(name, found, stopped, &trials))?;
    }
    Ok(outcome)
}

fn row(name: &str, trial: &BitrateTrial) -> String {
    let verdict = match trial {
        trial if trial.fits() => "this is it",
        BitrateTrial { frames: 0, errors: 0, .. } => "silent",
        BitrateTrial { frames: 0, .. } => "errors only",
        _ => "not to be trusted",
    };
    format!(
        "{name}  {:>10}  listened {:4.1} s  {:>6} frames  {:>6} errors  {verdict}\n",
        trial.bitrate.to_string(),
        trial.listened.as_secs_f64(),
        trial.frames,
        trial.errors
    )
}

fn conclusion(
    name: &str,
    found: Option<Bitrate>,
    stopped: bool,
    trials: &[BitrateTrial],
) -> String {
    if let Some(rate) = found {
        return format!(
            "The trunk runs at {rate}. {name} is left up at it, listening only.\n\
             Now: dropline watch {name}\n"
        );
    }
    if stopped {
        return format!("Stopped. {name} is as it was before.\n");
    }
    let errors: u64 = trials.iter().map(|trial| trial.errors).sum();
    let frames: u64 = trials.iter().map(|trial| trial.frames).sum();
    let why = if frames > 0 {
        "Some frames came, but too few or among more errors. Listen for longer (--each 30s). If it \
         stays so, look for noise, a missing or a third terminator, a loose connector."
    } else if errors > 0 {
        "Only errors were heard: something is on the wires, but no whole frame at any of the three \
         bit rates. Check that the two data wires are not swapped or shorted, that their ground \
         goes to the adapter, and that the trunk ends in two terminators."
    } else {
        "Nothing was heard. Check that the trunk has power and its master runs, and that both data \
         wires and their ground go to the adapter. A trunk without a master is silent but for \
         devices that power up: listen for longer (--each 30s) while one does. Some drivers tell \
         no errors, so that a wrong bit rate is silent, too."
    };
    format!("No bit rate found. {why}\n{name} is as it was before.\n\n{}\n", CAUTIONS.join("\n"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trial(frames: u64, errors: u64) -> BitrateTrial {
        let bitrate = Bitrate::new(250_000).unwrap();
        BitrateTrial { bitrate, listened: Duration::from_millis(3000), frames, errors }
    }

    #[test]
    fn each_trial_is_a_line_with_its_verdict() {
        assert_eq!(
            row("can0", &trial(20, 0)),
            "can0  250 kbit/s  listened  3.0 s      20 frames       0 errors  this is it\n"
        );
        assert!(row("can0", &trial(0, 0)).contains("silent"));
        assert!(row("can0", &trial(0, 9)).contains("errors only"));
        assert!(row("can0", &trial(1, 9)).contains("not to be trusted"));
    }

    #[test]
    fn nothing_found_says_what_to_look_at_with_the_cautions() {
        for (trials, word) in
            [([trial(0, 0)], "power"), ([trial(0, 5)], "swapped"), ([trial(2, 5)], "noise")]
        {
            let said = conclusion("can0", None, false, &trials);
            assert!(said.contains(word) && said.contains("as it was before"), "{said}");
            assert!(said.contains(CAUTIONS[0]), "{said}");
        }
        assert!(!conclusion("can0", None, true, &[]).contains("Check"));
    }
}
