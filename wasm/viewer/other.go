//go:build !js

package main

import "os"

func main() {
	os.Stderr.WriteString("The viewer runs in a browser: build it with GOOS=js GOARCH=wasm.\n")
	os.Exit(2)
}
