#!/bin/bash
# Proves the files beside it on a real Slurm: starts munged, slurmctld and slurmd on this machine alone, submits the demo's take as an
# array of four parts, and compares the results byte for byte with those of one process. Everything is in a new folder, which
# is removed afterwards with the three daemons. It must be run as root. Debian's packages: slurm-wlm, munge. Needs Go.
#
#   sudo examples/slurm/prove.sh
set -eu
here=$(cd "$(dirname "$0")" && pwd)
[ "$(id -u)" = 0 ] || { echo "run this as root: slurmd starts jobs as their users" >&2; exit 2; }
for program in munged slurmctld slurmd sbatch squeue; do
	command -v "$program" >/dev/null || PATH=$PATH:/usr/sbin
	command -v "$program" >/dev/null || { echo "there is no $program: install slurm-wlm and munge" >&2; exit 2; }
done

dir=$(mktemp -d)
chmod 755 "$dir"
daemons=()
finish() {
	code=$?
	[ "$code" = 0 ] || tail -n 20 "$dir"/*.log >&2 || true
	for pid in "${daemons[@]}"; do kill "$pid" 2>/dev/null || true; done
	wait
	rm -rf "$dir"
	exit "$code"
}
trap finish EXIT

# Ports that are free now: Slurm's own may belong to another.
port() { /usr/bin/python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])'; }

mkdir "$dir/munge" "$dir/state" "$dir/spool" "$dir/jobs"
(umask 077 && head -c 128 /dev/urandom >"$dir/munge/key")
munged --foreground --force --num-threads=2 --socket="$dir/munge/socket" --key-file="$dir/munge/key" --pid-file="$dir/munge/pid" \
	--seed-file="$dir/munge/seed" --log-file="$dir/munged.log" >>"$dir/daemons.log" 2>&1 &
daemons+=($!)

host=$(hostname -s)
export SLURM_CONF=$dir/slurm.conf
cat >"$SLURM_CONF" <<END
ClusterName=proof
SlurmctldHost=$host(127.0.0.1)
SlurmUser=root
SlurmctldPort=$(port)
SlurmdPort=$(port)
AuthType=auth/munge
AuthInfo=socket=$dir/munge/socket
CredType=cred/munge
StateSaveLocation=$dir/state
SlurmdSpoolDir=$dir/spool
SlurmctldPidFile=$dir/slurmctld.pid
SlurmdPidFile=$dir/slurmd.pid
SlurmctldLogFile=$dir/slurmctld.log
SlurmdLogFile=$dir/slurmd.log
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
SwitchType=switch/none
MpiDefault=none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core
AccountingStorageType=accounting_storage/none
JobAcctGatherType=jobacct_gather/none
SlurmdParameters=config_overrides
ReturnToService=2
NodeName=$host NodeAddr=127.0.0.1 CPUs=4 RealMemory=16000 State=UNKNOWN
PartitionName=all Nodes=$host Default=YES MaxTime=INFINITE State=UP
END
for _ in $(seq 50); do [ -S "$dir/munge/socket" ] && break; sleep 0.2; done
slurmctld -D -i >>"$dir/daemons.log" 2>&1 &
daemons+=($!)
slurmd -D >>"$dir/daemons.log" 2>&1 &
daemons+=($!)
for _ in $(seq 100); do sinfo -h -t idle -o %n 2>/dev/null | grep -q . && break; sleep 0.3; done
sinfo

(cd "$here/../.." && ${GO:-go} build -o "$dir/twinplate" ./cmd/twinplate)
export TWINPLATE=$dir/twinplate
"$TWINPLATE" demo --out "$dir/demo" --frames 12 --size 320x180 >/dev/null

echo "One process:"
take=(--color "$dir/demo/color" --band "$dir/demo/band" --background "$dir/demo/background" --clean-band "$dir/demo/clean_band.png"
	--clean-color "$dir/demo/clean_color.png" --dark-band "$dir/demo/dark_band.png" --dark-color "$dir/demo/dark_color.png")
"$TWINPLATE" comp "${take[@]}" --out "$dir/one" | tail -n 1

echo "An array of four parts:"
export RECIPE=$dir/take.json OUT=$dir/parts
cd "$dir/jobs"
first=$(sbatch --parsable "$here/estimate.sbatch" "${take[@]}")
parts=$(sbatch --parsable --dependency="afterok:$first" --array=0-3 "$here/comp.sbatch")
squeue
for _ in $(seq 600); do [ -z "$(squeue -h)" ] && break; sleep 0.5; done
for k in 0 1 2 3; do echo "part $k: $(tail -n 1 "comp-$parts-$k.log")"; done
for folder in comp matte; do diff -r "$dir/one/$folder" "$dir/parts/$folder"; done

echo "The parts 1 and 3 once more, by PARTS:"
again=$(PARTS=4 sbatch --parsable --array=1,3 "$here/comp.sbatch")
for _ in $(seq 600); do [ -z "$(squeue -h)" ] && break; sleep 0.5; done
for k in 1 3; do echo "part $k: $(tail -n 1 "comp-$again-$k.log")"; done
for folder in comp matte; do diff -r "$dir/one/$folder" "$dir/parts/$folder"; done
echo "$(find "$dir/parts/comp" "$dir/parts/matte" -type f | wc -l) files of four parts are, byte for byte, those of one process"
