//! An invented line with a daemon of its own, in a folder of its own.
//!
//! Knows no page. The one invariant: nothing of it is left when a test has passed.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

pub const CONFIG: &str = "\
[plant]
name = \"Invented line\"
time_zone = \"UTC\"
lateness_minutes = 0
[[shift]]
name = \"day\"
starts = \"00:00\"
[[product]]
name = \"demo-controller\"
boards = 1
specification = [
  { measure = \"height\", lower = 60, upper = 200, unit = \"um\", source = \"invented\" },
]
[[feed]]
name = \"paste-l1\"
line = \"L1\"
station = \"paste\"
folder = \"files\"
settle_ms = 50
time = { columns = [\"At\"], format = \"rfc3339\" }
measure = [{ name = \"height\", column = \"Height\", unit = \"um\" }]
[feed.roles]
product = { constant = \"demo-controller\" }
panel = \"Panel\"
family = \"Family\"
[[characteristic]]
name = \"paste height\"
station = \"paste\"
measure = \"height\"
group_by = [\"line\", \"product\", \"family\"]
subgroup = \"panel\"
chart = \"individuals\"
reaction_plan = \"Wipe the stencil, then inspect two panels.\"
[serve]
listen = \"127.0.0.1:0\"
tokens = \"tokens.toml\"
";

use crate::driver::{LOOK_EVERY, LOOKS_MAX};

/// A running line; stopped and gone when dropped.
pub struct Line {
    pub folder: PathBuf,
    daemon: Option<Child>,
}

impl Drop for Line {
    fn drop(&mut self) {
        if let Some(daemon) = &mut self.daemon {
            daemon.kill().ok();
            daemon.wait().ok();
        }
        if !std::thread::panicking() {
            fs::remove_dir_all(&self.folder).ok();
        }
    }
}

impl Line {
    /// A line from which nothing has come.
    pub fn new(name: &str) -> Line {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("line-{name}"));
        if folder.exists() {
            fs::remove_dir_all(&folder).expect("an old folder can be removed");
        }
        fs::create_dir_all(folder.join("files")).expect("a folder for the files");
        fs::write(folder.join("driftvane.toml"), CONFIG).expect("a configuration");
        Line {
            folder,
            daemon: None,
        }
    }

    /// A file of the station.
    pub fn write(&self, name: &str, text: &str) {
        let path = self.folder.join("files").join(name);
        fs::write(path, text).expect("a file of the station");
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_driftvane"));
        command.args(arguments).current_dir(&self.folder);
        command
    }

    /// What a command prints.
    pub fn run(&self, arguments: &[&str]) -> String {
        let output = self.command(arguments).output().expect("the program runs");
        let errors = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{arguments:?}: {errors}");
        String::from_utf8(output.stdout).expect("text")
    }

    /// Starts the daemon, and gives the address of its page.
    pub fn watch(&mut self) -> String {
        let log = self.folder.join("log.txt");
        let file = fs::File::create(&log).expect("a log");
        let mut command = self.command(&["watch"]);
        command.stdout(Stdio::null()).stderr(file);
        self.daemon = Some(command.spawn().expect("the daemon starts"));
        for _ in 0..LOOKS_MAX {
            let text = fs::read_to_string(&log).expect("the log");
            if let Some((_, rest)) = text.split_once("address=http://") {
                let address = rest.split('/').next().unwrap_or_default();
                return format!("http://{address}");
            }
            std::thread::sleep(LOOK_EVERY);
        }
        panic!("the page does not come");
    }
}
