//! Makes a file safe on a thread of its own: a disk that takes long for it does not hold up what
//! is written meanwhile.

use std::io;
use std::sync::mpsc::{self, Receiver, RecvError, Sender, TryRecvError};
use std::thread;

/// Makes safe all that was written until it is called.
pub type Sync = Box<dyn FnMut() -> io::Result<()> + Send>;

/// The thread of one file.
pub struct Syncer {
    ask: Sender<()>,
    done: Receiver<io::Result<()>>,
}

impl Syncer {
    /// Starts it. It ends with this, after what it is at.
    ///
    /// # Errors
    /// If there is no thread to be had.
    pub fn start(mut sync: Sync) -> io::Result<Syncer> {
        let (ask, asked) = mpsc::channel();
        let (tell, done) = mpsc::channel();
        let work = move || {
            for () in asked {
                if tell.send(sync()).is_err() {
                    return;
                }
            }
        };
        thread::Builder::new().name("sync capture".into()).spawn(work)?;
        Ok(Syncer { ask, done })
    }

    /// Begins to make safe what is written.
    pub fn begin(&self) {
        // If the thread broke down, the answer says so.
        let _ = self.ask.send(());
    }

    /// How that ended; `None`: it has not yet. `wait`: until it has.
    pub fn ended(&self, wait: bool) -> Option<io::Result<()>> {
        let broke_down = || Some(Err(io::Error::other("the thread that syncs broke down")));
        match wait {
            true => self.done.recv().map_or_else(|RecvError| broke_down(), Some),
            false => match self.done.try_recv() {
                Ok(result) => Some(result),
                Err(TryRecvError::Empty) => None,
                Err(TryRecvError::Disconnected) => broke_down(),
            },
        }
    }
}
