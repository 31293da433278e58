//! What this computer is called.
//!
//! Knows nothing else. The one invariant: a name is one word that a protocol can carry.

use std::path::Path;

/// Where the name stands: as the kernel has it, which a service that is shut in does not see; as
/// the service manager or a shell hands it on; as the computer is set up.
const KERNEL: &str = "/proc/sys/kernel/hostname";
const VARIABLE: &str = "HOSTNAME";
const SETUP: &str = "/etc/hostname";

/// The name of this computer; nothing where nobody says it.
#[must_use]
pub fn name() -> Option<String> {
    let variable = std::env::var(VARIABLE).ok();
    first(Path::new(KERNEL), variable, Path::new(SETUP))
}

fn first(kernel: &Path, variable: Option<String>, setup: &Path) -> Option<String> {
    let read = |path| std::fs::read_to_string(path).ok();
    let said = read(kernel)
        .and_then(word)
        .or_else(|| variable.and_then(word));
    said.or_else(|| read(setup).and_then(word))
}

/// A name, where a text is one: letters, digits, full stops and hyphens (RFC 1123, 2.1), and what
/// people use beside them.
fn word(text: String) -> Option<String> {
    let text = text.trim();
    let fits = |byte: u8| byte.is_ascii_alphanumeric() || b".-_".contains(&byte);
    let is_name = !text.is_empty() && text.len() <= 255 && text.bytes().all(fits);
    is_name.then(|| text.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_name_is_found_where_the_kernels_is_hidden() {
        let folder = std::env::temp_dir().join(format!("driftvane-host-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let file = |name: &str, text: &str| {
            std::fs::write(folder.join(name), text).unwrap();
            folder.join(name)
        };
        let (kernel, setup) = (file("kernel", "line-pc\n"), file("setup", "spare-pc\n"));
        let none = folder.join("none");
        let handed = || Some("given-pc".to_owned());
        assert_eq!(first(&kernel, handed(), &setup).unwrap(), "line-pc");
        assert_eq!(first(&none, handed(), &setup).unwrap(), "given-pc");
        assert_eq!(first(&none, None, &setup).unwrap(), "spare-pc");
        let odd = Some("two words".to_owned());
        assert_eq!(first(&none, odd, &setup).unwrap(), "spare-pc");
        assert_eq!(first(&none, None, &none), None);
        std::fs::remove_dir_all(&folder).unwrap();
    }
}
