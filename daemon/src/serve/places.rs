//! Places for connections: how many there may be, how many of one address, and who has to go.
//!
//! Knows no request. The one invariant: whoever sends slowly loses the place to whoever comes
//! after, so that one address can not keep all others out.

use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::Notify;

/// Connections at the same time.
pub(super) const CONNECTIONS_MAX: usize = 64;

/// Connections of one address at the same time: what is left is for the others.
pub(super) const CONNECTIONS_EACH_MAX: usize = 48;

/// Connections of one address whose request has not arrived yet; the oldest has to go.
pub(super) const UNSENT_EACH_MAX: usize = 40;

/// All places.
#[derive(Default)]
pub(super) struct Places {
    taken: Mutex<Taken>,
}

#[derive(Default)]
struct Taken {
    next: u64,
    /// In the order in which they came.
    list: Vec<One>,
}

struct One {
    number: u64,
    from: IpAddr,
    /// Whether the request has arrived.
    is_sent: bool,
    /// Told when the place is wanted by somebody else.
    wanted: Arc<Notify>,
}

/// A place; free again when dropped.
pub(super) struct Place {
    number: u64,
    places: Arc<Places>,
    wanted: Arc<Notify>,
}

impl Places {
    fn taken(&self) -> MutexGuard<'_, Taken> {
        // The list is whole even if another holder panicked: it is changed in one step.
        self.taken.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A place for a connection; none where all are taken by requests that have arrived.
    pub(super) fn take(self: &Arc<Places>, from: IpAddr) -> Option<Place> {
        let mut taken = self.taken();
        let of = |taken: &Taken, from: IpAddr| {
            let own = taken.list.iter().filter(|one| one.from == from);
            let unsent = own.clone().filter(|one| !one.is_sent).count();
            (own.count(), unsent)
        };
        let (own, unsent) = of(&taken, from);
        if unsent >= UNSENT_EACH_MAX || (own >= CONNECTIONS_EACH_MAX && unsent > 0) {
            taken.dismiss(from);
        } else if own >= CONNECTIONS_EACH_MAX {
            return None;
        } else if taken.list.len() >= CONNECTIONS_MAX {
            let all = taken.list.iter().filter(|one| !one.is_sent);
            let most = all.max_by_key(|one| of(&taken, one.from).1)?.from;
            taken.dismiss(most);
        }
        let number = taken.next;
        taken.next += 1;
        let wanted = Arc::new(Notify::new());
        taken.list.push(One {
            number,
            from,
            is_sent: false,
            wanted: Arc::clone(&wanted),
        });
        Some(Place {
            number,
            places: Arc::clone(self),
            wanted,
        })
    }
}

impl Taken {
    /// Has the oldest connection of an address go whose request has not arrived.
    fn dismiss(&mut self, from: IpAddr) {
        let is_it = |one: &One| one.from == from && !one.is_sent;
        if let Some(place) = self.list.iter().position(is_it) {
            self.list.remove(place).wanted.notify_one();
        }
    }
}

impl Place {
    /// Notes that the request has arrived: the place is kept until it is answered.
    pub(super) fn note_sent(&self) {
        let mut taken = self.places.taken();
        if let Some(one) = taken.list.iter_mut().find(|one| one.number == self.number) {
            one.is_sent = true;
        }
    }

    /// Waits until somebody else needs the place.
    pub(super) async fn wanted(&self) {
        self.wanted.notified().await;
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut taken = self.places.taken();
        taken.list.retain(|one| one.number != self.number);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn address(last: u8) -> IpAddr {
        IpAddr::from([192, 0, 2, last])
    }

    fn is_wanted(place: &Place) -> bool {
        let taken = place.places.taken();
        !taken.list.iter().any(|one| one.number == place.number)
    }

    #[test]
    fn slow_senders_lose_their_places_to_whoever_comes_after() {
        let places = Arc::new(Places::default());
        let slow: Vec<Place> = (0..70).map(|_| places.take(address(1)).unwrap()).collect();
        assert_eq!(
            slow.iter().filter(|one| is_wanted(one)).count(),
            70 - UNSENT_EACH_MAX
        );
        assert!(is_wanted(&slow[0]) && !is_wanted(&slow[69]));
        assert!(places.take(address(2)).is_some());
    }

    #[test]
    fn one_address_can_not_take_every_place() {
        let places = Arc::new(Places::default());
        let sent = |last: u8| {
            let place = places.take(address(last))?;
            place.note_sent();
            Some(place)
        };
        let first: Vec<Place> = std::iter::from_fn(|| sent(1)).collect();
        assert_eq!(first.len(), CONNECTIONS_EACH_MAX);
        let second: Vec<Place> = std::iter::from_fn(|| sent(2)).collect();
        assert_eq!(first.len() + second.len(), CONNECTIONS_MAX);
        assert!(sent(3).is_none());
        drop(second);
        assert!(sent(3).is_some());
    }

    #[test]
    fn where_all_places_are_taken_the_address_with_most_slow_senders_gives_one() {
        let places = Arc::new(Places::default());
        let take = |last| places.take(address(last)).unwrap();
        let kept: Vec<Place> = (0..48)
            .map(|_| {
                let place = take(1);
                place.note_sent();
                place
            })
            .collect();
        let slow: Vec<Place> = (0..12).map(|_| take(2)).collect();
        let few: Vec<Place> = (0..4).map(|_| take(3)).collect();
        let _next = take(4);
        assert!(is_wanted(&slow[0]) && !is_wanted(&slow[1]));
        assert!(!kept.iter().chain(&few).any(is_wanted));
    }
}
