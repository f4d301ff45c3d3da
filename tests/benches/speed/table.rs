//! The results beside their targets and beside what was last recorded.

use super::recorded::Recorded;

/// Results, told as they come.
pub struct Table {
    recorded: Recorded,
    missed: Vec<String>,
    measured: Vec<(String, f64)>,
}

impl Table {
    /// Begins with the head.
    pub fn new(recorded: Recorded) -> Table {
        println!("{:<40} {:>9} {:>9} {:>9} {:>8}", "", "measured", "target", "recorded", "change");
        Table { recorded, missed: Vec::new(), measured: Vec::new() }
    }

    /// A line for the reader.
    pub fn note(&self, text: String) {
        println!("  {text}");
    }

    /// A figure that is the better the less it is; its target, if it has one.
    pub fn most(&mut self, name: &str, value: f64, target: Option<f64>) {
        let recorded = self.recorded.of(name);
        let text = |number: Option<f64>| number.map_or("-".into(), |n| format!("{n:.2}"));
        let change =
            recorded.map_or("-".into(), |was| format!("{:+.0} %", 100.0 * (value / was - 1.0)));
        let met = target.is_none_or(|target| value <= target);
        let (target, recorded) = (text(target), text(recorded));
        let miss = if met { "" } else { "  over the target" };
        println!("{name:<40} {value:>9.2} {target:>9} {recorded:>9} {change:>8}{miss}");
        if !met {
            self.missed.push(name.to_string());
        }
        self.measured.push((name.to_string(), value));
    }

    /// What was missed, and how to record what was measured.
    pub fn end(&self, brief: bool) {
        if brief {
            println!("\nBrief: these figures say that the bench works, not how fast anything is.");
            return;
        }
        match self.missed.len() {
            0 => println!("\nEvery target is met."),
            n => println!("\n{n} over the target: {}", self.missed.join("; ")),
        }
        println!("\nTo record these figures, in tests/benches/speed/recorded.toml:\n");
        for (name, value) in &self.measured {
            println!("{name:?} = {value:.2}");
        }
    }
}
