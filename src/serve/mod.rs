//! A live night in, a page on a local address out: the answer after each frame, for the phone
//! beside the tripod.
//!
//! ```text
//! folder -> keeper (this thread) -> Shown -> routes (server's thread) -> page
//!             ^---------------- Command ---------------'
//! ```
//!
//! `guard` says which requests are heard at all, `door` who may come in over the network, `upload`
//! what may be written. Nothing of the folder is handed out but what the report says. The page's
//! words and pictures are those of the report.

mod door;
mod guard;
mod keeper;
mod page;
mod routes;
mod server;
mod shown;
mod upload;

use std::net::SocketAddr;

use crate::error::{Error, Warned};
use crate::live::{LiveNight, Notice};
use crate::pipeline::Progress;
use crate::report::NightReport;

pub use server::{Reach, bind};

/// What the server has to tell whoever started it.
pub trait Host: Send + Sync {
    /// The page can be opened at these addresses.
    fn is_open(&self, addresses: &[String]);
    /// The next device has to give this code.
    fn code(&self, code: &str);
    /// A device came in by the code.
    fn came_in(&self);
    /// So many wrong codes were given that a new one holds, and none is heard for a while.
    fn locked(&self);
    /// A new answer.
    ///
    /// # Errors
    /// When it cannot be written where it was wanted; this ends the server.
    fn answer(&self, report: &Warned<NightReport>) -> Result<(), Error>;
}

/// Serves a night's page until the folder is gone.
///
/// # Errors
/// When the folder cannot be read any more, the system gives no thread, or [`Host::answer`] fails.
pub fn serve(
    night: LiveNight,
    listener: std::net::TcpListener,
    reach: Reach,
    host: &'static dyn Host,
    progress: &dyn Progress,
) -> Result<(), Error> {
    let notice = Notice::of(night.root());
    let address = listener
        .local_addr()
        .map_err(|error| server::refused(&error))?;
    let (keeper, desk) = keeper::Keeper::new(night, notice);
    server::start(listener, reach, desk, host)?;
    host.is_open(&addresses(reach, address));
    keeper.keep(host, progress)
}

/// What to type into a browser.
fn addresses(reach: Reach, address: SocketAddr) -> Vec<String> {
    let port = address.port();
    let here = format!("http://127.0.0.1:{port}/");
    match reach {
        Reach::ThisComputer => vec![here],
        Reach::Network => {
            let there = server::own_address().map(|ip| format!("http://{ip}:{port}/"));
            there.into_iter().chain([here]).collect()
        }
    }
}
