//! The listening socket, and connections that cannot hold it up.

use std::net::{IpAddr, Ipv4Addr, UdpSocket};
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;

use super::Host;
use super::keeper::Desk;
use super::routes;
use crate::error::{Error, ErrorKind};

/// Connections at a time; a browser holds up to six.
const MOST_CONNECTIONS: usize = 64;
/// How long a client may take over the head of a request.
const HEAD_TIME: Duration = Duration::from_secs(10);
/// Rest after the system refused a connection (it may be out of handles).
const REST: Duration = Duration::from_millis(200);

/// Who can reach the page.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reach {
    /// Browsers on this computer.
    ThisComputer,
    /// Devices in the same network, who give a code.
    Network,
}

/// Opens the socket; port 0 takes a free one.
///
/// # Errors
/// `Io` when the port is taken or not allowed.
pub fn bind(reach: Reach, port: u16) -> Result<std::net::TcpListener, Error> {
    let ip = match reach {
        Reach::ThisComputer => Ipv4Addr::LOCALHOST,
        Reach::Network => Ipv4Addr::UNSPECIFIED,
    };
    std::net::TcpListener::bind((ip, port)).map_err(|error| {
        let context = format!("port {port} cannot be opened: {error}");
        Error::new(ErrorKind::Io, context)
            .with_hint("close the other program that holds it, or give another: --port 8127")
    })
}

/// The error for a socket that the system takes away.
pub(super) fn refused(error: &std::io::Error) -> Error {
    Error::new(ErrorKind::Io, format!("the system gave no socket: {error}"))
}

/// This computer's address in its network.
///
/// Method: the system chooses one for a destination (a documentation address, [RFC5737]); nothing
/// is sent.
pub(super) fn own_address() -> Option<IpAddr> {
    let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).ok()?;
    socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9)).ok()?;
    let ip = socket.local_addr().ok()?.ip();
    (!ip.is_unspecified() && !ip.is_loopback()).then_some(ip)
}

/// Serves in a thread of its own.
///
/// # Errors
/// `Io` when the system gives no thread or takes the socket away.
pub(super) fn start(
    listener: std::net::TcpListener,
    reach: Reach,
    desk: Desk,
    host: &'static dyn Host,
) -> Result<(), Error> {
    listener
        .set_nonblocking(true)
        .map_err(|error| refused(&error))?;
    let port = listener
        .local_addr()
        .map_err(|error| refused(&error))?
        .port();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| refused(&error))?;
    let listener = {
        // A socket is taken into the runtime from inside it.
        let _inside = runtime.enter();
        TcpListener::from_std(listener).map_err(|error| refused(&error))?
    };
    let router = routes::router(desk, reach, port, host);
    std::thread::Builder::new()
        .name("server".to_owned())
        .spawn(move || runtime.block_on(accept(listener, router)))
        .map_err(|error| refused(&error))?;
    Ok(())
}

async fn accept(listener: TcpListener, router: Router) {
    let places = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    loop {
        // The semaphore is never closed.
        let Ok(place) = Arc::clone(&places).acquire_owned().await else {
            return;
        };
        match listener.accept().await {
            Ok((stream, _)) => {
                let router = router.clone();
                tokio::spawn(async move {
                    talk(stream, router).await;
                    drop(place);
                });
            }
            Err(_) => tokio::time::sleep(REST).await,
        }
    }
}

/// One connection to its end; what goes wrong on it is the client's affair.
async fn talk(stream: TcpStream, router: Router) {
    // News are small and wanted at once.
    let _ = stream.set_nodelay(true);
    let service = TowerToHyperService::new(router);
    let _ = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_TIME)
        .serve_connection(TokioIo::new(stream), service)
        .await;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_port_that_is_taken_is_told_with_a_way_out() {
        let first = bind(Reach::ThisComputer, 0).unwrap();
        let taken = first.local_addr().unwrap();
        assert!(taken.ip().is_loopback());
        let error = bind(Reach::ThisComputer, taken.port()).unwrap_err();
        assert!(error.context.contains(&taken.port().to_string()));
        assert!(error.hint.is_some());
    }
}
