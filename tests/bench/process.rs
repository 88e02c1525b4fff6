//! What the system knows of a process.

use std::fs;
use std::process::Command;
use std::time::Duration;

/// Processor time of a process so far, its own and the system's for it.
pub fn cpu(id: u32) -> Duration {
    let stat = fs::read_to_string(format!("/proc/{id}/stat")).unwrap();
    // The name may hold spaces; the fields count from behind it (proc(5): utime 14, stime 15).
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap().split_whitespace().collect();
    let ticks: u64 = fields[11].parse::<u64>().unwrap() + fields[12].parse::<u64>().unwrap();
    Duration::from_millis(ticks * 1000 / ticks_per_second())
}

/// Resident memory of a process now, MB.
pub fn resident_mb(id: u32) -> f64 {
    let status = fs::read_to_string(format!("/proc/{id}/status")).unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<f64>().unwrap() * 1024.0 / 1e6
}

fn ticks_per_second() -> u64 {
    let said = Command::new("getconf").arg("CLK_TCK").output().unwrap();
    String::from_utf8(said.stdout).unwrap().trim().parse().unwrap()
}
