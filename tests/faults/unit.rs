//! The walls that the unit of `deploy/` puts around the daemon must not hide from it what it needs.
//!
//! No service manager runs where tests run. Its walls are put up by hand, as systemd.exec(5) describes them: a mount
//! namespace in which all is read-only but the state folder, homes and temporary files are empty, `/dev` holds the
//! pseudo-devices alone, and an account without capabilities. What is stood in for, and what is not, is told line by
//! line below; a line of the unit that is neither makes the test fail.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::process::Command;

use crate::daemon::{Daemon, timed, two_hours_ago_ms};
use crate::may_mount;
use crate::mosquitto::Mosquitto;
use crate::publisher::publish;

const UNIT: &str = include_str!("../../deploy/rindwatch@.service");

/// Walls that the stand-in puts up.
const STOOD_IN: [&str; 11] = [
    "ProtectSystem=strict",
    "ProtectHome=yes",
    "PrivateTmp=yes",
    "PrivateDevices=yes",
    "ProtectKernelTunables=yes",
    "ProtectControlGroups=yes",
    "NoNewPrivileges=yes",
    "CapabilityBoundingSet=",
    "UMask=0027",
    "StateDirectory=rindwatch/%i",
    "TasksMax=64",
];

/// Walls that only a service manager or a filter of system calls puts up; why they hide nothing.
const NOT_STOOD_IN: [(&str, &str); 14] = [
    ("ProtectClock=yes", "forbids setting the clock, and adjtimex, which clock/evidence.rs goes without"),
    ("ProtectHostname=yes", "the name is asked of nobody"),
    ("ProtectKernelLogs=yes", "not read"),
    ("ProtectKernelModules=yes", "none loaded"),
    ("ProtectProc=invisible", "hides processes of others; /proc/uptime and boot_id stay"),
    ("LockPersonality=yes", "not changed"),
    ("MemoryDenyWriteExecute=yes", "no code is made at run time"),
    ("RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX", "broker, mail and page; local socket and notify"),
    ("RestrictNamespaces=yes", "none made"),
    ("RestrictRealtime=yes", "not asked for"),
    ("RestrictSUIDSGID=yes", "no such file is made"),
    ("SystemCallArchitectures=native", "one binary"),
    ("SystemCallFilter=@system-service", "the usual calls; timedatectl runs within it"),
    ("MemoryMax=128M", "the bench holds memory far below it"),
];

/// Lines of the unit that are no walls.
const NO_WALLS: [&str; 12] = [
    "Type",
    "WatchdogSec",
    "TimeoutStopSec",
    "ExecStart",
    "Restart",
    "RestartSec",
    "RestartPreventExitStatus",
    "User",
    "Group",
    "StateDirectoryMode",
    "LoadCredential",
    "ExecReload",
];

fn service_lines() -> Vec<&'static str> {
    let (_, rest) = UNIT.split_once("[Service]").unwrap();
    let (service, _) = rest.split_once("[Install]").unwrap();
    service.lines().filter(|line| line.contains('=') && !line.starts_with('#')).collect()
}

#[test]
fn every_wall_of_the_unit_is_stood_in_for_or_told_why_not() {
    for line in service_lines() {
        let key = line.split('=').next().unwrap();
        let known = STOOD_IN.contains(&line)
            || NOT_STOOD_IN.iter().any(|(wall, _)| *wall == line)
            || NO_WALLS.contains(&key);
        assert!(known, "{line}: put it up in this file, or say why it hides nothing");
    }
    for wall in STOOD_IN.iter().chain(NOT_STOOD_IN.iter().map(|(wall, _)| wall)) {
        assert!(service_lines().contains(wall), "{wall} is no longer in the unit");
    }
}

/// Puts up the walls, then runs the daemon as an account of its own. Arguments: program, settings, state folder.
const WALLS: &str = r#"
set -e
mount --make-rprivate /
mount -t tmpfs -o mode=755 walls /mnt
mkdir -p /mnt/etc /mnt/state
touch /mnt/rindwatch
mount --bind "$1" /mnt/rindwatch
cp "$2" /mnt/etc/garden.toml
chmod 644 /mnt/etc/garden.toml
mount --bind "$3" /mnt/state
mount -t tmpfs -o mode=755 walls /run
mkdir -p /run/systemd/timesync
touch /run/systemd/timesync/synchronized
for home in /home /root; do mount -t tmpfs -o mode=000 walls $home; done
mount -t tmpfs -o mode=755 walls /dev
for device in null zero full random urandom tty; do
  case $device in null) n=3 ;; zero) n=5 ;; full) n=7 ;; random) n=8 ;; urandom) n=9 ;; tty) continue ;; esac
  mknod -m 666 /dev/$device c 1 $n
done
for place in /tmp /var/tmp; do mount -t tmpfs -o mode=1777 walls $place; done
# Read-only all over, and the state folder alone not (systemd.exec: ProtectSystem=strict, StateDirectory=).
cut -d' ' -f5 /proc/self/mountinfo | while read -r place; do
  case $place in /mnt/state | /tmp | /var/tmp | /proc | /proc/*) ;; *) mount -o remount,bind,ro "$place" 2>/dev/null || true ;; esac
done
mount -o remount,bind,ro /mnt
umask 0027
ulimit -u 64 2>/dev/null || true
cd /
# The walls stand: nothing else can be written by anybody.
for place in /etc /usr /var /mnt /run /dev /sys /srv; do
  if touch "$place/rindwatch-test" 2>/dev/null; then echo "WALL: $place can be written" >&2; exit 9; fi
done
exec setpriv --reuid 65534 --regid 65534 --clear-groups --no-new-privs --bounding-set=-all --inh-caps=-all \
  /mnt/rindwatch run --config /mnt/etc/garden.toml --data /mnt/state
"#;

#[test]
fn behind_the_walls_it_knows_the_time_writes_its_folder_and_reaches_the_broker() {
    if !may_mount() {
        return;
    }
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    // As the unit is meant to be used: nobody says that the host keeps the clock.
    let text = fs::read_to_string(daemon.settings()).unwrap();
    fs::write(daemon.settings(), text.replace("\n[clock]\nkept-by = \"host\"\n", "")).unwrap();
    let data = daemon.data();
    fs::create_dir(&data).unwrap();
    assert!(Command::new("chown").arg("65534:65534").arg(&data).status().unwrap().success());
    fs::set_permissions(&data, fs::Permissions::from_mode(0o750)).unwrap();
    let mut command = Command::new("unshare");
    command.args(["-m", "sh", "-c", WALLS, "walls"]);
    command.arg(env!("CARGO_BIN_EXE_rindwatch")).arg(daemon.settings()).arg(&data);
    command.env_remove("CREDENTIALS_DIRECTORY").env_remove("NOTIFY_SOCKET").env_remove("STATE_DIRECTORY");
    daemon.start_as(command);
    daemon.wait_for("the broker is reached", |status| status.broker.is_none());
    let status = daemon.status();
    assert!(status.clock_trusted, "the evidence of timesyncd is hidden from it: {}", status.clock);
    publish(broker.port, (0..100).map(|n| timed(n % 12, two_hours_ago_ms() + n as i64, 18.0)).collect());
    daemon.wait_for_settled(100);
    assert_eq!(daemon.stored(), 100);
    let mut written: Vec<_> = fs::read_dir(&data)
        .unwrap()
        .map(|entry| entry.unwrap())
        .map(|entry| {
            (entry.file_name().into_string().unwrap(), entry.metadata().unwrap().permissions().mode())
        })
        .collect();
    written.sort();
    for (name, mode) in &written {
        assert!(name.starts_with("rindwatch"), "{written:?}");
        assert_eq!(mode & 0o007, 0, "{name} is open to all: {mode:o}");
    }
    assert!(daemon.stop().success());
    assert!(!daemon.log().contains("WALL:"), "{}", daemon.log());
}
