//! What the package is made of is there, and fits together.

#![expect(clippy::unwrap_used, reason = "tests: a panic is a failed test")]

use std::path::Path;

fn text(path: &str) -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(path)).unwrap()
}

#[test]
fn every_file_of_the_package_is_there() {
    let manifest = text("Cargo.toml");
    let assets = manifest.split("assets = [").nth(1).unwrap().split("\n]").next().unwrap();
    let sources = assets.lines().filter_map(|line| line.trim().strip_prefix("[\"")?.split('"').next());
    let sources: Vec<_> = sources.filter(|path| !path.contains("target/")).collect();
    assert!(sources.len() >= 6, "{sources:?}");
    for path in sources {
        assert!(Path::new(env!("CARGO_MANIFEST_DIR")).join(path).is_file(), "{path}");
    }
}

#[test]
fn the_service_starts_what_the_package_installs_as_the_user_that_it_makes() {
    let service = text("packaging/setward@.service");
    assert!(service.contains("\nExecStart=/usr/bin/setward run /etc/setward/%i\n"));
    assert!(text("Cargo.toml").contains("[\"target/release/setward\", \"usr/bin/\", \"755\"]"));
    assert!(
        service.contains("\nUser=setward\n") && text("packaging/setward.sysusers").contains("\nu setward ")
    );
    for folder in ["/etc/setward", "/var/lib/setward"] {
        assert!(text("packaging/setward.tmpfiles").contains(folder), "{folder}");
    }
    // In a namespace of users of its own it would see everybody at this machine as nobody, and refuse them what their role allows.
    assert!(
        !service.lines().any(|line| line.starts_with("PrivateUsers=")),
        "who asks at the socket is known by number"
    );
    // Exit codes that no further try makes better: the command line, the line folder.
    assert!(service.contains("\nRestartPreventExitStatus=2 3\n"));
}
