//! Simulated visits to a trunk: analysed whole, and many of them at once.

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use dropline::simulation::SimSource;
use dropline::{Analysis, SourceKind, Summary};

/// Gives all records of a simulated trunk to an analysis; its summary.
pub fn summary_of(source: &mut SimSource, mut analysis: Analysis) -> Summary {
    let mut batch = Vec::new();
    loop {
        let more = source.next_records(&mut batch);
        for record in batch.drain(..) {
            analysis.take(&record, &mut |_, _| {});
        }
        if !more {
            return analysis.finish(SourceKind::Simulated, "simulated", 0, &mut |_, _| {});
        }
    }
}

/// Runs all jobs on as many threads as there are processors; results in the order of jobs.
pub fn in_parallel<J: Sync, R: Send>(jobs: &[J], run: impl Fn(&J) -> R + Sync) -> Vec<R> {
    let threads = std::thread::available_parallelism().map_or(1, |count| count.get());
    let (next, done) = (AtomicUsize::new(0), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let Some((index, job)) = {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    jobs.get(index).map(|job| (index, job))
                } {
                    let result = run(job);
                    done.lock().expect("no thread panicked").push((index, result));
                }
            });
        }
    });
    let mut done = done.into_inner().expect("no thread panicked");
    done.sort_by_key(|(index, _)| *index);
    done.into_iter().map(|(_, result)| result).collect()
}
