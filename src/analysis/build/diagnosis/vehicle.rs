//! What the vehicle says of itself: VIN, supply, readiness.

use crate::analysis::diagnosis::{DipEntry, MonitorEntry, SupplyEntry, VehicleEntry};
use crate::analysis::{Cause, Outage, Scope};
use crate::fold::diagnostics::supply::{Dip, Supply};
use crate::fold::diagnostics::{Diagnostics, Vehicle};

/// Draws it; `timed` where the capture has time stamps.
pub fn of(
    diagnostics: &Diagnostics,
    vehicle: Vehicle,
    outages: &[Outage],
    timed: bool,
) -> VehicleEntry {
    let readiness = &diagnostics.codes.readiness;
    let monitors = readiness.iter().flat_map(|(module, (_, readiness))| {
        readiness.monitors().filter(|monitor| monitor.supported).map(|monitor| MonitorEntry {
            module: *module,
            monitor: monitor.name,
            complete: monitor.complete,
        })
    });
    let lamps = readiness
        .values()
        .map(|(_, readiness)| readiness.mil)
        .chain(diagnostics.codes.lamps.values().map(|lamps| lamps.malfunction));
    VehicleEntry {
        vin: vehicle.vin,
        vin_conflicts: vehicle.conflicts,
        supply: supply(&diagnostics.identities.supply, outages, timed),
        monitors: monitors.collect(),
        mil: lamps.reduce(|a, b| a || b),
        lamps: diagnostics.codes.lamps.iter().map(|(module, own)| (*module, *own)).collect(),
    }
}

fn supply(supply: &Supply, outages: &[Outage], timed: bool) -> Option<SupplyEntry> {
    let ((min_at, min), max) = supply.range()?;
    let entry = |dip: Dip| {
        let mut entry = DipEntry { dip, outages: Vec::new() };
        let hit = |outage: &Outage| {
            let pauses = outage.scope < Scope::Bus && outage.cause == Cause::Unknown;
            // Of what is silent to the end, the end is that of the recording.
            let ends = !outage.ongoing && entry.is_near(outage.end);
            (outage.is_loss() || pauses) && (entry.is_near(outage.start) || ends)
        };
        let touched = outages.iter().enumerate().filter(|(_, outage)| hit(outage));
        entry.outages = touched.map(|(at, _)| at).collect();
        entry
    };
    let dips = supply.dips().into_iter().map(entry);
    Some(SupplyEntry {
        min,
        max,
        min_at: timed.then_some(min_at),
        series: if timed { supply.series.clone() } else { Vec::new() },
        dips: if timed { dips.collect() } else { Vec::new() },
    })
}
