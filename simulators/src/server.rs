//! Serves stations, or any register image, over Modbus on real sockets, with whatever faults their files ask for.
//!
//! All listeners are bound before any is served, so a taken port fails at once. Must never accept a write.

use std::net::SocketAddr;
use std::sync::Arc;

use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::clock::SimClock;
use crate::connection::{Endpoint, Registers, Unit, serve_listener};
use crate::error::SimError;
use crate::image::RegisterImage;
use crate::monitor_file::{ProtocolFile, Transport};
use crate::station::Station;
use crate::station_file::{Expect, StationFile};

/// A served simulation. It runs until its token is cancelled.
pub struct Running {
    /// All monitors, in the order of the stations and of their files.
    pub monitors: Vec<RunningMonitor>,
    /// The stations themselves, to look up the truth at a time.
    pub stations: Vec<Arc<Station>>,
    /// Their common clock.
    pub clock: SimClock,
    tracker: TaskTracker,
}

impl Running {
    /// Waits until every task has ended, after the token was cancelled.
    pub async fn stopped(&self) {
        self.tracker.wait().await;
    }
}

/// One monitor being served.
pub struct RunningMonitor {
    /// Station name.
    pub station: String,
    /// Monitor name.
    pub monitor: String,
    /// Where it really listens.
    pub address: SocketAddr,
    /// Its unit id.
    pub unit: u8,
    /// How frames travel.
    pub transport: Transport,
    /// Its map, as the station file names it.
    pub map: String,
    /// The truth about its station.
    pub expect: Option<Expect>,
    served: Arc<Unit>,
}

impl RunningMonitor {
    /// Requests received so far.
    pub fn requests(&self) -> u64 {
        self.served.requests()
    }
}

/// A served register image. It runs until its token is cancelled.
pub struct RunningImage {
    /// Where it really listens.
    pub address: SocketAddr,
    served: Vec<Arc<Unit>>,
    tracker: TaskTracker,
}

impl RunningImage {
    /// Requests received so far.
    pub fn requests(&self) -> u64 {
        self.served.iter().map(|unit| unit.requests()).sum()
    }

    /// Waits until every task has ended, after the token was cancelled.
    pub async fn stopped(&self) {
        self.tracker.wait().await;
    }
}

/// Serves stations in wall-clock time from station time zero.
pub async fn start(stations: Vec<StationFile>, cancel: CancellationToken) -> Result<Running, SimError> {
    start_with(stations, SimClock::running(1.0), cancel).await
}

/// One listener to be opened.
struct Plan {
    written: String,
    address: SocketAddr,
    transport: Transport,
    units: Vec<(u8, Arc<Unit>)>,
    monitors: Vec<usize>,
}

/// Serves stations by a given clock.
pub async fn start_with(
    files: Vec<StationFile>,
    clock: SimClock,
    cancel: CancellationToken,
) -> Result<Running, SimError> {
    let mut stations = Vec::with_capacity(files.len());
    let mut monitors: Vec<RunningMonitor> = Vec::new();
    let mut plans: Vec<Plan> = Vec::new();
    for file in &files {
        let station = Arc::new(Station::new(file)?);
        for (index, monitor) in file.monitors.iter().enumerate() {
            let problem = |text: String| SimError::station(&file.name, format!("monitor \"{}\": {text}", monitor.name));
            let address: SocketAddr = monitor
                .listen
                .parse()
                .map_err(|_| problem(format!("listen = \"{}\" is not an address and port", monitor.listen)))?;
            let registers = Registers::Monitor { station: Arc::clone(&station), index, clock: clock.clone() };
            let unit = Arc::new(Unit::new(registers, &monitor.protocol, file.seed ^ index as u64).map_err(problem)?);
            // Port 0 asks for a free port each time it is written, so only fixed ports are shared.
            let shared = plans.iter_mut().find(|plan| address.port() != 0 && plan.address == address);
            match shared {
                Some(plan) => {
                    let clash = |problem: String| SimError::Listener { address: plan.written.clone(), problem };
                    if plan.transport != monitor.transport {
                        return Err(clash("its monitors do not agree on the transport".to_owned()));
                    }
                    if plan.units.iter().any(|(other, _)| *other == monitor.unit) {
                        return Err(clash(format!("two monitors have unit {}", monitor.unit)));
                    }
                    plan.units.push((monitor.unit, Arc::clone(&unit)));
                    plan.monitors.push(monitors.len());
                }
                None => plans.push(Plan {
                    written: monitor.listen.clone(),
                    address,
                    transport: monitor.transport,
                    units: vec![(monitor.unit, Arc::clone(&unit))],
                    monitors: vec![monitors.len()],
                }),
            }
            monitors.push(RunningMonitor {
                station: file.name.clone(),
                monitor: monitor.name.clone(),
                address,
                unit: monitor.unit,
                transport: monitor.transport,
                map: monitor.map.clone(),
                expect: file.expect.clone(),
                served: unit,
            });
        }
        stations.push(station);
    }
    let tracker = TaskTracker::new();
    let mut bound = Vec::with_capacity(plans.len());
    for plan in plans {
        let (listener, address) = bind(plan.address).await?;
        for monitor in &plan.monitors {
            monitors[*monitor].address = address;
        }
        bound.push((listener, Endpoint { transport: plan.transport, units: plan.units }));
    }
    for (listener, endpoint) in bound {
        tracker.spawn(serve_listener(listener, Arc::new(endpoint), cancel.clone(), tracker.clone()));
    }
    tracker.close();
    Ok(Running { monitors, stations, clock, tracker })
}

/// Serves one register image under FC 01 to 04 as one unit.
pub async fn serve_image(
    listen: SocketAddr,
    unit: u8,
    transport: Transport,
    image: RegisterImage,
    protocol: &ProtocolFile,
    cancel: CancellationToken,
) -> Result<RunningImage, SimError> {
    serve_images(listen, transport, vec![(unit, image)], protocol, cancel).await
}

/// Serves register images of several units behind one address.
pub async fn serve_images(
    listen: SocketAddr,
    transport: Transport,
    images: Vec<(u8, RegisterImage)>,
    protocol: &ProtocolFile,
    cancel: CancellationToken,
) -> Result<RunningImage, SimError> {
    let mut units = Vec::with_capacity(images.len());
    for (unit, image) in images {
        let registers = Registers::Image { image: Arc::new(image), clock: SimClock::running(1.0) };
        let served = Unit::new(registers, protocol, 0)
            .map_err(|problem| SimError::Listener { address: listen.to_string(), problem })?;
        units.push((unit, Arc::new(served)));
    }
    let (listener, address) = bind(listen).await?;
    let served = units.iter().map(|(_, unit)| Arc::clone(unit)).collect();
    let endpoint = Endpoint { transport, units };
    let tracker = TaskTracker::new();
    tracker.spawn(serve_listener(listener, Arc::new(endpoint), cancel, tracker.clone()));
    tracker.close();
    Ok(RunningImage { address, served, tracker })
}

async fn bind(address: SocketAddr) -> Result<(TcpListener, SocketAddr), SimError> {
    let failed = |source| SimError::Bind { address, source };
    let listener = TcpListener::bind(address).await.map_err(failed)?;
    let bound = listener.local_addr().map_err(failed)?;
    Ok((listener, bound))
}
