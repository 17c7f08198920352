//! Places that are shared out among addresses: so many for each, so that none is left without by another.

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::OwnedSemaphorePermit;

/// How many places each address has.
#[derive(Debug, Clone, Default)]
pub(super) struct Crowd(Arc<Mutex<BTreeMap<IpAddr, usize>>>);

/// One place; given back when dropped.
#[derive(Debug)]
pub(super) struct Place {
    _permit: OwnedSemaphorePermit,
    crowd: Crowd,
    address: IpAddr,
}

impl Crowd {
    /// A place for one more from `address`, of the whole number of which `permit` is one; `None` if it has its share of `most`.
    pub(super) fn place(&self, address: IpAddr, most: usize, permit: OwnedSemaphorePermit) -> Option<Place> {
        let address = one_of(address);
        let mut present = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let count = present.entry(address).or_insert(0);
        if *count >= most {
            return None;
        }
        *count += 1;
        Some(Place { _permit: permit, crowd: self.clone(), address })
    }
}

/// One network of IPv6 is one address: whoever has one of its addresses has them all.
fn one_of(address: IpAddr) -> IpAddr {
    match address {
        IpAddr::V4(_) => address,
        IpAddr::V6(six) if six.is_loopback() || six.is_unspecified() => address,
        IpAddr::V6(six) => IpAddr::V6(Ipv6Addr::from_bits(six.to_bits() >> 64 << 64)),
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut present = self.crowd.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = present.get_mut(&self.address) {
            *count -= 1;
            if *count == 0 {
                present.remove(&self.address);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::sync::Semaphore;

    #[test]
    fn an_address_has_its_share_and_a_place_given_back_is_free() {
        let (room, crowd) = (Arc::new(Semaphore::new(10)), Crowd::default());
        let place = |text: &str| {
            let permit = Arc::clone(&room).try_acquire_owned().unwrap();
            crowd.place(text.parse().unwrap(), 2, permit)
        };
        let held = [place("192.0.2.1").unwrap(), place("192.0.2.1").unwrap()];
        assert!(place("192.0.2.1").is_none() && place("192.0.2.2").is_some());
        assert_eq!(room.available_permits(), 8, "who is refused keeps nothing");
        drop(held);
        assert!(place("192.0.2.1").is_some());
        assert_eq!((room.available_permits(), crowd.0.lock().unwrap().len()), (10, 0));
        let _network = [place("2001:db8::1").unwrap(), place("2001:db8::2").unwrap()];
        assert!(place("2001:db8::3").is_none() && place("2001:db8:0:1::1").is_some());
    }
}
