// Package readdataset tests read.py, which reads what `twinplate dataset` writes with numpy and
// OpenCV.
package readdataset
