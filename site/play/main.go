// Command play serves the built playground on this machine alone and prints its address.
package main

import (
	"errors"
	"flag"
	"fmt"
	"log"
	"net"
	"net/http"
	"os"

	"example.com/twinplate/site"
)

func main() {
	log.SetFlags(0)
	dist := flag.String("dist", "dist", "the folder that `make site` built")
	port := flag.Int("port", 8080, "the port; 0 takes a free one")
	flag.Parse()
	if _, err := os.Stat(*dist + "/index.html"); err != nil {
		log.Fatalf("%s has no playground: build it with make site", *dist)
	}
	listener, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", *port))
	if err != nil {
		log.Fatalf("%v: choose another with -port, or -port 0 for a free one", err)
	}
	fmt.Printf("http://%s/ (Ctrl+C ends it)\n", listener.Addr())
	if err := http.Serve(listener, site.Handler(os.DirFS(*dist))); !errors.Is(err, http.ErrServerClosed) {
		log.Fatal(err)
	}
}
