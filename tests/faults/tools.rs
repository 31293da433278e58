//! What faults are made of: traced system calls, file systems of a test's own, signals.
//!
//! Must not know what any test expects. The one invariant: what is mounted is unmounted and what
//! is started is ended, also where a test fails. A tool that is missing fails the test.

use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitStatus, Output};

pub use crate::place::is_long;
use crate::place::{Answer, Place};

/// How often: in the short form and in the long one.
pub fn rounds(short: usize, long: usize) -> usize {
    if is_long() { long } else { short }
}

/// Runs a tool to its end, which has to succeed.
pub fn tool(name: &str, arguments: &[&str]) -> Output {
    let output = Command::new(name).args(arguments).output();
    let output =
        output.unwrap_or_else(|error| panic!("{name}: {error}; tests/run installs it as root"));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success(),
        "{name} {arguments:?}: {said}(as root?)"
    );
    output
}

/// The tracer with what it does to the calls of a program, such as
/// `fdatasync:error=EIO:when=3`; only for calls on one of the paths where there are any.
pub fn tracer(injections: &[&str], paths: &[&Path]) -> Command {
    let mut command = Command::new("strace");
    // The program stays the child: its end is the one that is seen, and signals reach it.
    command.args(["-D", "-f", "-qqq", "-o", "/dev/null"]);
    let calls: Vec<&str> = injections
        .iter()
        .map(|one| one.split(':').next().unwrap())
        .collect();
    command.arg("-e").arg(format!("trace={}", calls.join(",")));
    for injection in injections {
        command.arg("-e").arg(format!("inject={injection}"));
    }
    for path in paths {
        command.arg("-P").arg(path);
    }
    command.arg("--");
    command
}

/// Runs the program with faults in its system calls.
pub fn traced(place: &Place, injection: &str, paths: &[&Path], arguments: &[&str]) -> Answer {
    let mut command = place.command_under(tracer(&[injection], paths), arguments);
    let answer = Answer::of(&mut command);
    assert!(!answer.err.contains("strace:"), "{}", answer.err);
    answer
}

/// Whether a program was ended by a signal.
pub fn was_killed(answer: &Answer) -> bool {
    answer.code.is_none()
}

/// How often one thread of the program makes a call at most: faults are counted by thread.
pub fn calls(place: &Place, call: &str, arguments: &[&str]) -> usize {
    let trace = place.path("trace");
    let mut command = Command::new("strace");
    command.args(["-D", "-f", "-qqq", "-e", &format!("trace={call}"), "-o"]);
    command.arg(&trace).arg("--");
    let answer = Answer::of(&mut place.command_under(command, arguments));
    assert_eq!(answer.code, Some(0), "{}", answer.err);
    let mut by_thread: BTreeMap<String, usize> = BTreeMap::new();
    let text = fs::read_to_string(&trace).unwrap();
    for line in text
        .lines()
        .filter(|line| line.contains(&format!(" {call}(")))
    {
        let thread = line.split(' ').next().unwrap();
        *by_thread.entry(thread.to_owned()).or_default() += 1;
    }
    fs::remove_file(&trace).unwrap();
    by_thread.into_values().max().unwrap_or(0)
}

/// What fills a disk, with the pieces in which it is written: the last ones are small.
const FILLERS: [(&str, usize); 2] = [("filler", 64 << 10), ("filler-2", 512)];

/// A file system of a test's own; gone when dropped.
pub struct Mounted {
    pub folder: PathBuf,
}

impl Mounted {
    /// A file system in memory, of so many KiB.
    pub fn in_memory(folder: PathBuf, kib: u32) -> Mounted {
        fs::create_dir_all(&folder).unwrap();
        let path = folder.to_string_lossy().into_owned();
        let size = format!("size={kib}k");
        tool(
            "mount",
            &["-t", "tmpfs", "-o", &size, "driftvane-test", &path],
        );
        Mounted { folder }
    }

    /// A folder as it is, which nobody can write to.
    pub fn read_only(folder: PathBuf) -> Mounted {
        let path = folder.to_string_lossy().into_owned();
        tool("mount", &["--bind", &path, &path]);
        let mounted = Mounted { folder };
        tool("mount", &["-o", "remount,bind,ro", &path]);
        mounted
    }

    /// Writes until nothing more fits.
    pub fn fill(&self) {
        for (name, piece) in FILLERS {
            let mut file = fs::File::create(self.folder.join(name)).unwrap();
            while file.write_all(&vec![1; piece]).is_ok() {}
        }
    }

    /// Takes away what filled it.
    pub fn make_room(&self) {
        for (name, _) in FILLERS {
            fs::remove_file(self.folder.join(name)).unwrap();
        }
    }

    /// The file system in an image. Only what a program asks to be synced is written: the
    /// journal's own rhythm is put off.
    pub fn of_image(image: &Path, folder: PathBuf) -> Mounted {
        fs::create_dir_all(&folder).unwrap();
        let (from, to) = (image.to_string_lossy(), folder.to_string_lossy());
        tool("mount", &["-o", "loop,commit=300", &from, &to]);
        Mounted { folder }
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        // Lazily: a program that a failed test left behind must not keep it.
        let status = Command::new("umount").arg("-l").arg(&self.folder).status();
        let is_done = status.as_ref().is_ok_and(ExitStatus::success);
        if !std::thread::panicking() {
            assert!(is_done, "{}: {status:?}", self.folder.display());
        }
    }
}

/// What the kernel says of a running process, in KiB or as it stands there.
pub fn status(process: u32, name: &str) -> u64 {
    let text = fs::read_to_string(format!("/proc/{process}/status")).unwrap();
    let line = text.lines().find_map(|line| line.strip_prefix(name));
    let value = line.and_then(|line| line.trim_start_matches(':').split_whitespace().next());
    value.unwrap().parse().unwrap()
}

/// The most memory that a process has had, in KiB.
pub fn peak_kib(process: u32) -> u64 {
    status(process, "VmHWM")
}

/// How many files a process has open.
pub fn open_files(process: u32) -> usize {
    fs::read_dir(format!("/proc/{process}/fd")).unwrap().count()
}

/// The time that a process has computed so far, in milliseconds.
pub fn computed_ms(process: u32) -> u64 {
    let text = fs::read_to_string(format!("/proc/{process}/stat")).unwrap();
    // After the name, which ends with a bracket: time in the program and in the kernel, in steps
    // of a hundredth of a second.
    let after = text.rsplit(')').next().unwrap();
    let fields: Vec<&str> = after.split_whitespace().collect();
    let steps = |field: usize| fields[field].parse::<u64>().unwrap();
    (steps(11) + steps(12)) * 10
}
