//! Everything at once: faults of all kinds, by a seed, while the stations write.
//!
//! The one invariant: after each of them the record is sound, and at the end it says what it would
//! have said without any.

use std::fs;
use std::time::Duration;

use driftvane::clock::Monotonic;

use crate::clocks::under_clock;
use crate::kept::{assert_whole, deliveries, quick_config, undisturbed};
use crate::place::{
    Chance, Place, Watching, assert_same_charts, assert_same_rows, get, wait_until,
};
use crate::tools::{Mounted, is_long, tracer};

/// When the plant's day is over, as the turned clock has it.
const EVENING: &str = "@2026-03-02 21:00:00\n";

/// What can happen.
#[derive(Clone, Copy, Debug)]
enum Fault {
    Kill,
    Stop,
    Stand,
    FullDisk,
    FailingSync,
    FolderGone,
    ClockTurned,
    BrokenReload,
    Reload,
    Pages,
    Backup,
}

const FAULTS: [Fault; 11] = [
    Fault::Kill,
    Fault::Stop,
    Fault::Stand,
    Fault::FullDisk,
    Fault::FailingSync,
    Fault::FolderGone,
    Fault::ClockTurned,
    Fault::BrokenReload,
    Fault::Reload,
    Fault::Pages,
    Fault::Backup,
];

/// A daemon on a small disk of its own, and what happens to it.
struct Soak {
    /// First, because it writes to the disk until it ends.
    watching: Watching,
    disk: Mounted,
    place: Place,
    chance: Chance,
    config: String,
}

impl Soak {
    fn begin(config: &str, chance: Chance) -> Soak {
        let place = Place::new(config);
        let disk = Mounted::in_memory(place.path("driftvane-data"), 64 << 10);
        place.write("clock", EVENING);
        let watching = at_work(&place);
        let config = config.to_owned();
        Soak {
            watching,
            disk,
            place,
            chance,
            config,
        }
    }

    fn pause(&mut self, at_most_ms: usize) {
        std::thread::sleep(Duration::from_millis(self.chance.below(at_most_ms) as u64));
    }

    /// Has a fault happen, and ends it.
    fn suffer(&mut self, fault: Fault) {
        match fault {
            Fault::Kill => {
                self.pause(300);
                self.watching.kill();
                self.watching = at_work(&self.place);
            }
            Fault::Stop => {
                self.watching.signal("TERM");
                assert_eq!(self.watching.ended(), Some(0), "{}", self.place.log());
                self.watching = at_work(&self.place);
            }
            Fault::Stand => {
                self.watching.signal("STOP");
                self.pause(1_000);
                self.watching.signal("CONT");
            }
            Fault::FullDisk => {
                self.disk.fill();
                self.pause(2_500);
                self.disk.make_room();
            }
            Fault::FailingSync => self.fail_a_sync(),
            Fault::FolderGone => {
                let station = ["paste", "optical", "function"][self.chance.below(3)];
                let away = self.place.path("away");
                fs::rename(self.place.path(station), &away).unwrap();
                self.pause(1_500);
                fs::rename(&away, self.place.path(station)).unwrap();
            }
            Fault::ClockTurned => {
                let hours = ["20:00:00", "22:00:00", "23:59:59"][self.chance.below(3)];
                self.place.write("clock", format!("@2026-03-02 {hours}\n"));
                self.pause(1_500);
                self.place.write("clock", EVENING);
            }
            Fault::BrokenReload => {
                let cut = self.chance.below(self.config.len() / 2);
                self.place.write("driftvane.toml", &self.config[..cut]);
                self.watching.signal("HUP");
                self.pause(500);
                self.place.write("driftvane.toml", &self.config);
            }
            Fault::Reload => self.watching.signal("HUP"),
            Fault::Pages => {
                let address = self.place.address();
                for path in ["/", "/alerts", "/streams", "/feeds", "/health", "/metrics"] {
                    let (status, _) = get(&address, path);
                    assert!([200, 503].contains(&status), "{path}: {status}");
                }
            }
            Fault::Backup => {
                let copy = self.place.path("copy");
                self.place.ok(&["backup", &copy.to_string_lossy()]);
                fs::remove_dir_all(&copy).unwrap();
            }
        }
    }

    /// The daemon is started anew with a sync that will fail, and once more when it has ended.
    fn fail_a_sync(&mut self) {
        self.watching.signal("TERM");
        assert_eq!(self.watching.ended(), Some(0));
        let call = ["fsync", "fdatasync"][self.chance.below(2)];
        let injection = format!("{call}:error=EIO:when={}", 1 + self.chance.below(4));
        let wrapper = tracer(&[&injection], &[]);
        let command = self.place.command_under(wrapper, &["watch"]);
        self.watching = self.place.watch_by(command);
        self.pause(2_500);
        if self.watching.runs() {
            self.watching.kill();
        } else {
            assert_eq!(self.watching.ended(), Some(1), "{}", self.place.log());
        }
        self.watching = at_work(&self.place);
    }
}

/// A daemon under the turned clock, when it is at work.
fn at_work(place: &Place) -> Watching {
    let before = place.log().matches("watching").count();
    let watching = place.watch_by(under_clock(place));
    wait_until("the daemon to be at work", || {
        place.log().matches("watching").count() > before
    });
    watching
}

/// A plant's day with so many faults; gives which they were.
fn day(seed: u64, faults: usize) -> Vec<Fault> {
    let config = quick_config()
        .replace("lateness_minutes = 60", "lateness_minutes = 1440")
        .replace("settle_ms = 20", "settle_ms = 20\nscan_seconds = 1")
        + "\n[serve]\nlisten = \"127.0.0.1:0\"\n";
    let files = deliveries(seed);
    let expected = undisturbed(&config, &files);
    let mut soak = Soak::begin(&config, Chance::new(seed));
    // Each kind has its turn, in an order of its own.
    let mut left: Vec<Fault> = FAULTS.into_iter().cycle().take(faults).collect();
    soak.chance.shuffle(&mut left);
    let mut suffered = Vec::new();
    for (part, fault) in files.chunks(files.len().div_ceil(faults)).zip(left) {
        let (now, later) = part.split_at(soak.chance.below(part.len() + 1));
        now.iter().for_each(|file| soak.place.deliver(file));
        soak.suffer(fault);
        suffered.push(fault);
        later.iter().for_each(|file| soak.place.deliver(file));
        assert!(soak.watching.runs(), "{fault:?}: {}", soak.place.log());
        soak.place.assert_sound();
    }
    let rows = expected.rows();
    wait_until("all rows", || soak.place.rows() == rows);
    let Soak {
        watching,
        disk,
        place,
        ..
    } = soak;
    watching.stop();
    assert!(!place.log().contains("panicked"), "{}", place.log());
    assert_whole(&place);
    assert_same_rows("counted", &expected.counted(), &place.counted());
    assert_same_charts(&expected.charts(), &place.charts());
    assert_same_rows("limits", &expected.limits(), &place.limits());
    assert_same_rows("alerts", &expected.alerts(), &place.alerts());
    drop(disk);
    suffered
}

#[test]
fn any_mix_of_faults_leaves_a_sound_record_and_the_same_charts() {
    let clock = Monotonic::start();
    let (lasts_ms, faults) = if is_long() {
        (30 * 60_000, 60)
    } else {
        (0, 16)
    };
    let (mut days, mut all) = (0, 0);
    loop {
        let suffered = day(400 + days, faults);
        days += 1;
        all += suffered.len();
        println!("day {days}, after {} ms: {suffered:?}", clock.ms());
        if clock.ms() >= lasts_ms {
            break;
        }
    }
    println!("{all} faults in {days} days, {} ms", clock.ms());
}
