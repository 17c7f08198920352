//! Builds only if the pure crates do without the standard library. It is never run.
#![no_std]

use core::alloc::{GlobalAlloc, Layout};
use setward_alarm::Monitor;
use setward_process::dwell::dwell_at_speed_s;
use setward_protocol::{Unit, Uptime};

/// Names one function of each crate, so that none is left out of the link.
#[unsafe(no_mangle)]
pub extern "C" fn uses_every_pure_crate(speed_m_per_min: f64) -> f64 {
    let monitor = Monitor::new(&mut [], &mut [], &mut []);
    let speed = Unit::MetrePerMinute.convert(speed_m_per_min, Unit::MetrePerSecond);
    let dwell_s = speed.and_then(|speed| dwell_at_speed_s(3.3, speed)).unwrap_or_default();
    dwell_s + monitor.poll_timeout().map_or(0.0, Uptime::as_secs_f64)
}

/// Hands out nothing: the proof is never run.
struct NoMemory;

// SAFETY: it never hands out memory, so there is nothing to give back.
unsafe impl GlobalAlloc for NoMemory {
    unsafe fn alloc(&self, _: Layout) -> *mut u8 {
        core::ptr::null_mut()
    }

    unsafe fn dealloc(&self, _: *mut u8, _: Layout) {}
}

#[global_allocator]
static NO_MEMORY: NoMemory = NoMemory;

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {}
}
