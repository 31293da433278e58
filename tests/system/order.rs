//! Neither the order of files, nor stops, nor kills change what the charts say.

use std::time::Duration;

use driftvane::plant::Delivery;

use crate::place::{
    Chance, Place, assert_same_charts, assert_same_rows, small_config, small_plant, wait_until,
};

/// Longer than all the small plant's events span, so that every order is within it.
const WHOLE_SPAN_MINUTES: u32 = 24 * 60;

fn deliveries(seed: u64) -> Vec<Delivery> {
    small_plant().deliveries(seed).collect()
}

/// The same deliveries, read in one go.
fn in_one_go(config: &str, deliveries: &[Delivery]) -> Place {
    let place = Place::new(config);
    for delivery in deliveries {
        place.deliver(delivery);
    }
    place.replay();
    place
}

fn assert_same(one: &Place, other: &Place) {
    assert_same_charts(&one.charts(), &other.charts());
    assert_same_rows("limits", &one.limits(), &other.limits());
    assert_same_rows("alerts", &one.alerts(), &other.alerts());
    assert_same_rows("counted", &one.counted(), &other.counted());
    one.assert_rows_add_up();
    other.assert_rows_add_up();
}

#[test]
fn same_files_in_any_order_give_the_same_charts() {
    let config = small_config(WHOLE_SPAN_MINUTES);
    let deliveries = deliveries(11);
    let in_order = in_one_go(&config, &deliveries);
    assert!(!in_order.limits().is_empty() && !in_order.alerts().is_empty());

    let mut chance = Chance::new(20_260_302);
    // A file that grows keeps the order of its own rows; everything else is free.
    let (grows, mut whole): (Vec<_>, Vec<_>) = deliveries
        .iter()
        .partition(|delivery| delivery.station == "function");
    let mut grows = grows.into_iter().peekable();
    chance.shuffle(&mut whole);
    let shuffled = Place::new(&config);
    while !whole.is_empty() || grows.peek().is_some() {
        for delivery in whole.split_off(whole.len() - (chance.below(40) + 1).min(whole.len())) {
            shuffled.deliver(delivery);
        }
        for delivery in grows.by_ref().take(chance.below(90)) {
            shuffled.deliver(delivery);
        }
        shuffled.replay();
    }
    assert_same(&in_order, &shuffled);
}

/// Here most points are behind the horizon when the next files come, so that judged state is
/// carried on instead of judged again.
#[test]
fn files_that_overtake_each_other_within_the_horizon_change_nothing() {
    let config = small_config(15);
    let deliveries = deliveries(15);
    let in_order = in_one_go(&config, &deliveries);
    assert!(!in_order.alerts().is_empty());

    let mut chance = Chance::new(99);
    let mut arrivals: Vec<(i64, &Delivery)> = deliveries
        .iter()
        .map(|delivery| {
            // A file that grows keeps the order of its own rows.
            let delay = if delivery.station == "function" {
                0
            } else {
                chance.below(14 * 60)
            };
            (
                delivery.at.as_second() + i64::try_from(delay).unwrap(),
                delivery,
            )
        })
        .collect();
    arrivals.sort_by_key(|(at, _)| *at);
    let overtaking = Place::new(&config);
    let mut left = arrivals.as_slice();
    while !left.is_empty() {
        let (now, later) = left.split_at((chance.below(30) + 1).min(left.len()));
        for (_, delivery) in now {
            overtaking.deliver(delivery);
        }
        left = later;
        overtaking.replay();
    }
    assert_same(&in_order, &overtaking);
}

#[test]
fn stop_and_start_anywhere_changes_nothing() {
    let config = small_config(60);
    let deliveries = deliveries(12);
    let in_one_go = in_one_go(&config, &deliveries);

    let mut chance = Chance::new(7);
    let steps = Place::new(&config);
    // What a station has written but the disk does not show yet: a file that grows is cut anywhere.
    let mut held: Option<(String, Vec<u8>)> = None;
    for (count, delivery) in deliveries.iter().enumerate() {
        if delivery.station == "function" {
            let name = format!("function/{}", delivery.file_name);
            let mut bytes = delivery.content.clone();
            if let Some((before, rest)) = held.take() {
                if before == name {
                    bytes.splice(0..0, rest);
                } else {
                    steps.append(&before, &rest);
                }
            }
            let rest = bytes.split_off(chance.below(bytes.len() + 1));
            steps.append(&name, &bytes);
            held = Some((name, rest));
        } else {
            steps.deliver(delivery);
        }
        if chance.below(18) == 0 || count + 1 == deliveries.len() {
            steps.replay();
        }
    }
    let (name, rest) = held.unwrap();
    steps.append(&name, &rest);
    steps.replay();
    let pieces = steps.number("SELECT count(*) FROM file WHERE feed = 'function-l1'");
    assert!(
        pieces > 5,
        "only {pieces} pieces of the growing file were read"
    );
    assert_same(&in_one_go, &steps);
}

#[test]
fn kill_mid_feed_changes_nothing() {
    let config = small_config(60).replace("settle_ms = 200", "settle_ms = 20");
    let deliveries = deliveries(13);
    let undisturbed = in_one_go(&config, &deliveries);

    let mut chance = Chance::new(3);
    let killed = Place::new(&config);
    let mut left = deliveries.as_slice();
    while !left.is_empty() {
        let mut watching = killed.watch();
        let (now, later) = left.split_at((chance.below(120) + 30).min(left.len()));
        for delivery in now {
            killed.deliver(delivery);
        }
        left = later;
        // The moment counts from the start of the program, so that it also falls into its start,
        // into reading and into a commit.
        std::thread::sleep(Duration::from_millis(chance.below(900) as u64));
        assert!(watching.runs(), "{}", killed.log());
        watching.kill();
    }
    let known = killed.number("SELECT count(*) FROM file");
    assert!(known > 0, "nothing was read before a kill");
    killed.replay();
    assert_same(&undisturbed, &killed);
    let again = killed.replay();
    assert_eq!((&again["accepted"], &again["rows"]), (&0.into(), &0.into()));
}

#[test]
fn a_running_watch_ends_where_a_replay_ends() {
    let config = small_config(60).replace("settle_ms = 200", "settle_ms = 20");
    let deliveries: Vec<Delivery> = deliveries(14).into_iter().take(150).collect();
    let replayed = in_one_go(&config, &deliveries);

    let place = Place::new(&config);
    let _watching = place.watch();
    for delivery in &deliveries {
        place.deliver(delivery);
    }
    let units = replayed.number("SELECT sum(rows) FROM unit");
    wait_until("all rows", || place.rows() == units);
    assert_same(&replayed, &place);
}
