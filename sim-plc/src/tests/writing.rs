//! What can be written, and what that leaves behind.

use super::line::{pass, running, small_line};
use crate::Simulator;
use crate::frame::{Received, receive};
use crate::simulator::Response;
use setward_config::line::Origin;

/// The PDU that the fryer answers with.
fn ask(simulator: &Simulator, pdu: &[u8]) -> Vec<u8> {
    let mut request = vec![0, 1, 0, 0, 0, pdu.len() as u8 + 1, 1];
    request.extend(pdu);
    let Received::Whole(frame) = receive(&request) else { panic!("no whole frame") };
    let controllers = simulator.controllers_at("127.0.0.1:15503");
    let Response::Send { bytes, .. } = simulator.respond(&controllers, &frame) else { panic!("no reply") };
    bytes[7..].to_vec()
}

/// TIC-310-SP is register 110, in tenths: 1850 is 185.0 degC.
#[test]
fn a_written_setpoint_is_followed_and_every_write_is_counted() {
    let simulator = running(0);
    let write = [6, 0, 110, 7, 58];
    assert_eq!(ask(&simulator, &write), write);
    pass(&simulator, 1);
    assert_eq!((simulator.shown("TIC-310-SP"), simulator.writes("TIC-310-SP")), (Some(185.0), 1));
    pass(&simulator, 300);
    assert!((simulator.truth("TT-310").unwrap() - 185.0).abs() < 1.0);
    for _ in 0..500 {
        ask(&simulator, &[0x10, 0, 110, 0, 1, 2, 7, 28]);
    }
    pass(&simulator, 1);
    assert_eq!((simulator.shown("TIC-310-SP"), simulator.writes("TIC-310-SP")), (Some(182.0), 501));
    assert_eq!(simulator.writes("KIC-340-SP"), 0);
}

#[test]
fn everything_else_is_read_only_and_says_why() {
    let simulator = running(0);
    // A measured value; an address that isn't there; two registers of which one is no setpoint.
    for pdu in [&[6, 0, 100, 7, 58][..], &[6, 1, 0, 7, 58], &[0x10, 0, 110, 0, 2, 4, 7, 58, 0, 0]] {
        assert_eq!(ask(&simulator, pdu), [pdu[0] | 0x80, 2], "{pdu:?}");
    }
    // Out of range; misshapen.
    for pdu in [&[6, 0, 110, 0x40, 0][..], &[6, 0, 110], &[0x10, 0, 110, 0, 1, 3, 7, 58, 0]] {
        assert_eq!(ask(&simulator, pdu), [pdu[0] | 0x80, 3], "{pdu:?}");
    }
    assert_eq!(ask(&simulator, &[5, 0, 0, 0xFF, 0]), [0x85, 1], "coils are not written");
    pass(&simulator, 1);
    assert_eq!((simulator.shown("TIC-310-SP"), simulator.writes("TIC-310-SP")), (Some(182.0), 0));
}

#[test]
fn the_last_register_of_all_can_be_written_and_nothing_beyond_it() {
    let mut line = small_line();
    let setpoint = line.signals.iter_mut().find(|signal| signal.tag == "TIC-310-SP").unwrap();
    let Origin::Register(register) = &mut setpoint.origin else { panic!("{setpoint:?}") };
    register.wire.address = u16::MAX;
    let simulator = Simulator::new(&line, 1);
    let write = [6, 0xFF, 0xFF, 7, 58];
    assert_eq!(ask(&simulator, &write), write);
    assert_eq!(ask(&simulator, &[0x10, 0xFF, 0xFF, 0, 2, 4, 7, 28, 7, 28]), [0x90, 2]);
    pass(&simulator, 1);
    assert_eq!((simulator.shown("TIC-310-SP"), simulator.writes("TIC-310-SP")), (Some(185.0), 1));
}
