#!/bin/bash
# Submits a take to Slurm: the estimates first, then the parts, which wait for them. Edit the paths; all nodes must see them under
# the same names, and have twinplate in PATH, or TWINPLATE set to where it is.
set -eu
cd "$(dirname "$0")"

export RECIPE=${RECIPE:-/shared/shot12/take.json}
export OUT=${OUT:-/shared/shot12/out}
take=(--color /shared/shot12/color --band /shared/shot12/band --clean-band /shared/shot12/clean_band.png --background /shared/shot12/sea.png)
[ $# = 0 ] || take=("$@") # comp's flags for the take, instead of the line above

first=$(sbatch --parsable estimate.sbatch "${take[@]}")
parts=$(sbatch --parsable --dependency="afterok:$first" comp.sbatch)
echo "estimates: job $first; parts: job $parts; follow them by squeue, and comp-$parts-*.log"
