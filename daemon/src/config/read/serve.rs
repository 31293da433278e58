//! Reads where the live page listens, and for whom.
//!
//! Opens no socket and no token file. The one invariant: a page that others in the network can
//! reach has a token file and names its hosts.

use std::net::SocketAddr;
use std::path::Path;

use super::resolve;
use super::table::Table;
use crate::config::Serve;

/// Where the page listens unless told otherwise: this computer alone can reach it.
const LISTEN: &str = "127.0.0.1:8474";

/// Reads the table; the page is off where there is none.
pub(super) fn read(table: &Table<'_>, base: &Path) -> Option<Serve> {
    let listen = match table.get("listen") {
        None => LISTEN.parse().ok(),
        Some(item) => {
            let text = item.text()?;
            let address = text.parse::<SocketAddr>().ok();
            if address.is_none() {
                let fix = format!("write an address and a port, such as \"{LISTEN}\"");
                item.fault(format!("{text:?} is no address to listen at"), fix);
            }
            address
        }
    };
    let tokens = table.text_if("tokens").map(|text| resolve(base, &text));
    let hosts = table.get("allowed_hosts");
    let allowed_hosts = hosts.as_ref().and_then(|item| {
        let hosts = item.texts()?;
        let is_name = |host: &String| {
            !host.is_empty()
                && host
                    .bytes()
                    .all(|byte| byte.is_ascii_alphanumeric() || b".-:[]".contains(&byte))
        };
        if let Some(wrong) = hosts.iter().find(|host| !is_name(host)) {
            let fix = "write names as they stand in the browser, without http:// and port";
            item.fault(format!("{wrong:?} is no name of a host"), fix);
        }
        Some(
            hosts
                .iter()
                .map(|host| host.to_ascii_lowercase())
                .collect::<Vec<_>>(),
        )
    });
    let listen = listen?;
    if !listen.ip().is_loopback() {
        if tokens.is_none() {
            let fix = "add tokens = \"tokens.toml\" and make tokens with `driftvane token`";
            table.fault("listens for other computers but has no tokens", fix);
        }
        if allowed_hosts.as_ref().is_none_or(Vec::is_empty) {
            let fix = "add allowed_hosts = [\"...\"], the names by which browsers reach it";
            table.fault(
                "listens for other computers but names no allowed_hosts",
                fix,
            );
        }
    }
    table.finish();
    Some(Serve {
        listen,
        tokens,
        allowed_hosts: allowed_hosts.unwrap_or_default(),
    })
}
