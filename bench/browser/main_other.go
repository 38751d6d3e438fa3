//go:build !js

package main

import "fmt"

func main() { fmt.Println("This program runs in a browser's worker: see `make bench-browser`.") }
