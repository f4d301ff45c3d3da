//! The page in a browser: at which address, under which names, for whom.

use std::net::SocketAddr;
use std::path::PathBuf;

use anyhow::{anyhow, bail};
use clap::Args;
use jiff::tz::TimeZone;

use crate::analysis::Finished;
use crate::output::event_log::EventDigest;
use crate::output::report::PageState;
use crate::output::web::{Access, PageSnapshot, Served, Token};
use crate::trunk::{Event, ScanRecorder};
use crate::wire::{Header, Nanos, Record, What};

#[derive(Debug, Args)]
pub(super) struct PageArgs {
    /// Serve a page that shows the trunk in a browser, on a telephone or a laptop, at this address:
    /// 127.0.0.1:8071
    #[arg(long, value_name = "ADDR:PORT")]
    page: Option<SocketAddr>,

    /// A name under which the page may be asked for, beside addresses and localhost; may be given
    /// several times
    #[arg(long, value_name = "NAME", requires = "page")]
    page_host: Vec<String>,

    /// Ask each reader of the page for the token in the first line of this file, at least 16
    /// characters, as the password with any name. It goes over the network as it is
    #[arg(long, value_name = "FILE", requires = "page", conflicts_with = "page_open")]
    page_token_file: Option<PathBuf>,

    /// Serve the page without a token also at an address that other machines can reach
    #[arg(long, requires = "page")]
    page_open: bool,
}

impl PageArgs {
    /// Whether a page is wanted.
    pub(super) fn is_wanted(&self) -> bool {
        self.page.is_some()
    }

    /// What is to be served, if a page is.
    ///
    /// # Errors
    /// One line: the token cannot be read, or other machines could read without one.
    pub(super) fn served(&self, marks: bool) -> anyhow::Result<Option<Served>> {
        let Some(address) = self.page else { return Ok(None) };
        let read = |path: &PathBuf| {
            Token::read(path).map_err(|error| anyhow!("{}: {error}", path.display()))
        };
        let token = self.page_token_file.as_ref().map(read).transpose()?;
        if !address.ip().is_loopback() && token.is_none() && !self.page_open {
            bail!(
                "{address}: other machines can reach that; give 127.0.0.1:{}, or a token with \
                 --page-token-file, or --page-open to let everybody read",
                address.port()
            );
        }
        let access = Access { hosts: Some(self.page_host.clone()), token };
        Ok(Some(Served { address, access, metrics: false, page: true, marks }))
    }
}

/// What the page shows beside the analysis itself.
pub(super) struct PageRecorder {
    name: String,
    zone: TimeZone,
    marks: bool,
    log: EventDigest,
    scans: Option<ScanRecorder>,
}

impl PageRecorder {
    pub(super) fn new(name: &str, header: &Header, zone: TimeZone, marks: bool) -> PageRecorder {
        PageRecorder {
            name: name.to_owned(),
            zone,
            marks,
            log: EventDigest::default(),
            scans: header.bitrate.map(ScanRecorder::new),
        }
    }

    pub(super) fn event(&mut self, t: Nanos, event: &Event) {
        self.log.event(t, event);
    }

    pub(super) fn record(&mut self, record: &Record) {
        if let Some(scans) = &mut self.scans {
            scans.take(record);
        }
        if let What::Mark(text) = &record.what {
            self.log.mark(record.t, text);
        }
    }

    /// Everything that the page needs; `going`: how the work is going.
    pub(super) fn snapshot(&self, finished: Finished, going: &str) -> Box<PageSnapshot> {
        Box::new(PageSnapshot {
            finished,
            log: self.log.clone(),
            scans: self.scans.clone(),
            zone: self.zone.clone(),
            state: PageState {
                name: self.name.clone(),
                going: going.to_owned(),
                marks: self.marks,
            },
        })
    }
}
