//! Wrong passphrases: each beyond a few makes the next try wait longer, by name and by address. Never for ever: a lock without
//! an end would let anybody keep the shift out. The tables are bounded.

use setward_protocol::Uptime;
use std::collections::BTreeMap;
use std::net::IpAddr;
use std::time::Duration;

/// Wrong tries that cost nothing: fingers in gloves.
const FREE: u32 = 5;
/// The first wait; it doubles with each wrong try.
const FIRST: Duration = Duration::from_secs(1);
/// The longest wait for a name: short, or a stranger could keep its owner out.
pub(super) const LONGEST_FOR_A_NAME: Duration = Duration::from_secs(60);
/// The longest wait for an address.
pub(super) const LONGEST_FOR_AN_ADDRESS: Duration = Duration::from_secs(15 * 60);
/// Wrong tries are forgotten after so long without another.
const FORGOTTEN: Duration = Duration::from_secs(3600);
/// Most names and most addresses that are remembered.
const MOST: usize = 1024;

#[derive(Debug, Clone, Copy)]
struct Wrong {
    tries: u32,
    last: Uptime,
}

impl Wrong {
    fn wait(self, longest: Duration) -> Duration {
        match self.tries.checked_sub(FREE) {
            None => Duration::ZERO,
            Some(beyond) => FIRST.saturating_mul(1_u32.checked_shl(beyond).unwrap_or(u32::MAX)).min(longest),
        }
    }
}

/// Wrong tries by one kind of key.
#[derive(Debug)]
struct Table<K> {
    rows: BTreeMap<K, Wrong>,
    longest: Duration,
}

impl<K: Ord + Clone> Table<K> {
    const fn new(longest: Duration) -> Self {
        Self { rows: BTreeMap::new(), longest }
    }

    fn left(&self, key: &K, now: Uptime) -> Duration {
        let row = self.rows.get(key);
        row.map_or(Duration::ZERO, |wrong| wrong.wait(self.longest).saturating_sub(now.since(wrong.last)))
    }

    /// Counts one more, and tells how many there are.
    fn add(&mut self, key: K, now: Uptime) -> u32 {
        self.rows.retain(|_, wrong| now.since(wrong.last) < FORGOTTEN);
        if self.rows.len() >= MOST && !self.rows.contains_key(&key) {
            // The least guilty goes: whoever tries many names can't make this one's own count be forgotten.
            let least = self.rows.iter().min_by_key(|(_, wrong)| (wrong.tries, wrong.last));
            let least = least.map(|(key, _)| key.clone());
            least.and_then(|key| self.rows.remove(&key));
        }
        let row = self.rows.entry(key).or_insert(Wrong { tries: 0, last: now });
        row.tries = row.tries.saturating_add(1);
        row.last = now;
        row.tries
    }
}

/// Wrong tries by name and by address.
#[derive(Debug)]
pub(super) struct Guesses {
    names: Table<String>,
    addresses: Table<IpAddr>,
}

impl Default for Guesses {
    fn default() -> Self {
        Self { names: Table::new(LONGEST_FOR_A_NAME), addresses: Table::new(LONGEST_FOR_AN_ADDRESS) }
    }
}

/// Whoever has one IPv6 address has 2^64 of them.
fn network(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(six) => IpAddr::V6((u128::from(six) >> 64 << 64).into()),
        four @ IpAddr::V4(_) => four,
    }
}

/// A name as it is counted: cut, so that long ones cost no memory.
fn counted(name: &str) -> String {
    name.trim().chars().take(60).collect()
}

impl Guesses {
    /// How long a try under this name from this address still has to wait.
    pub(super) fn wait(&self, name: &str, from: IpAddr, now: Uptime) -> Duration {
        self.names.left(&counted(name), now).max(self.wait_at(from, now))
    }

    /// How long a try from this address has to wait, whatever it is for.
    pub(super) fn wait_at(&self, from: IpAddr, now: Uptime) -> Duration {
        self.addresses.left(&network(from), now)
    }

    /// A wrong one; tells how many the address has made.
    pub(super) fn wrong(&mut self, name: &str, from: IpAddr, now: Uptime) -> u32 {
        self.names.add(counted(name), now);
        self.wrong_at(from, now)
    }

    /// A wrong one that bears no name.
    pub(super) fn wrong_at(&mut self, from: IpAddr, now: Uptime) -> u32 {
        self.addresses.add(network(from), now)
    }

    /// A right one: the name's count is over. The address's is not, or one good name would pay for guesses at others.
    pub(super) fn right(&mut self, name: &str) {
        self.names.rows.remove(&counted(name));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HERE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 0, 2, 7));
    const THERE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 0, 2, 8));

    fn at(seconds: u64) -> Uptime {
        Uptime::START + Duration::from_secs(seconds)
    }

    #[test]
    fn the_wait_grows_with_each_wrong_try_and_has_an_end() {
        let mut guesses = Guesses::default();
        let waits: Vec<u64> = (0..24)
            .map(|_| {
                guesses.wrong("Ana", HERE, at(0));
                guesses.wait("Ana", HERE, at(0)).as_secs()
            })
            .collect();
        assert_eq!(waits[..9], [0, 0, 0, 0, 1, 2, 4, 8, 16]);
        assert_eq!(waits[23], LONGEST_FOR_AN_ADDRESS.as_secs());
        assert_eq!(
            guesses.wait("Ana", THERE, at(0)),
            LONGEST_FOR_A_NAME,
            "her own place waits a minute at most"
        );
        assert_eq!(guesses.wait("Ben", THERE, at(0)), Duration::ZERO);
        assert_eq!(guesses.wait("Ben", HERE, at(0)), LONGEST_FOR_AN_ADDRESS, "other names do not help");
        assert_eq!(guesses.wait("Ana", THERE, at(61)), Duration::ZERO);
    }

    #[test]
    fn a_right_one_ends_the_names_count_and_time_ends_all() {
        let mut guesses = Guesses::default();
        for _ in 0..10 {
            guesses.wrong("Ana", HERE, at(0));
        }
        guesses.right("Ana");
        assert_eq!(guesses.wait("Ana", THERE, at(0)), Duration::ZERO);
        assert!(guesses.wait("Ana", HERE, at(0)) > Duration::ZERO);
        assert_eq!(guesses.wrong("Ana", HERE, at(3600)), 1, "forgotten after an hour");
    }

    #[test]
    fn the_tables_stay_bounded_and_the_guiltiest_are_kept() {
        let mut guesses = Guesses::default();
        for _ in 0..9 {
            guesses.wrong("Ana", HERE, at(0));
        }
        for n in 0..5000_u32 {
            let other = IpAddr::V6((u128::from(n) << 64).into());
            guesses.wrong(&format!("name {n}"), other, at(1));
        }
        assert_eq!((guesses.names.rows.len(), guesses.addresses.rows.len()), (MOST, MOST));
        assert!(guesses.wait("Ana", HERE, at(1)) > Duration::ZERO);
    }

    #[test]
    fn one_ipv6_network_is_one_address() {
        let mut guesses = Guesses::default();
        for n in 0..9_u128 {
            guesses.wrong(&format!("{n}"), IpAddr::V6(((0x2001_0db8_u128 << 96) + n).into()), at(0));
        }
        let another = IpAddr::V6(((0x2001_0db8_u128 << 96) + 77).into());
        assert!(guesses.wait("other", another, at(0)) > Duration::ZERO);
    }
}
