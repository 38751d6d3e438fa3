// Package slurm tests the scripts beside it.
package slurm
