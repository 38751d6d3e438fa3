package main

import (
	"encoding/json"
	"fmt"
	"os"
	"sync"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"
)

// progressEvery is how often a line of progress is printed where standard error is no terminal.
var progressEvery = 5 * time.Second

// A meter shows how far a long work is: on a terminal by a bar, elsewhere by a line every few
// seconds, which with --json is one JSON object.
type meter struct {
	t     *terminal
	what  string
	unit  string // what is counted
	start time.Time
	quit  chan struct{}
	wait  sync.WaitGroup

	mu          sync.Mutex
	stage       string
	done, total int // total 0: not known
	bar         *progressbar.ProgressBar
}

// progressLine is what a line of progress has with --json.
type progressLine struct {
	Progress string  `json:"progress"` // what is done
	Stage    string  `json:"stage,omitempty"`
	Done     int     `json:"done"`
	Total    int     `json:"total"` // 0: not known
	Seconds  float64 `json:"seconds"`
	Left     float64 `json:"left_seconds,omitempty"` // about
}

// meter begins to show a work. Its end must be called.
func (t *terminal) meter(what string) *meter {
	m := &meter{t: t, what: what, unit: " frames", start: time.Now(), quit: make(chan struct{})}
	if m.screen() == nil {
		m.wait.Go(func() {
			tick := time.NewTicker(progressEvery)
			defer tick.Stop()
			for {
				select {
				case <-tick.C:
					m.line()
				case <-m.quit:
					return
				}
			}
		})
	}
	return m
}

// screen returns standard error if that is a terminal.
func (m *meter) screen() *os.File {
	if f, ok := m.t.stderr.(*os.File); ok && term.IsTerminal(int(f.Fd())) && !m.t.json {
		return f
	}
	return nil
}

// begin says which part of the work begins, for a work whose length is not known.
func (m *meter) begin(stage string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.stage = stage
	if m.total > 0 { // a part before was counted by itself
		if m.bar != nil {
			m.bar.Finish()
			m.bar = nil
		}
		m.start, m.done, m.total = time.Now(), 0, 0
	}
	if f := m.screen(); f != nil {
		fmt.Fprintf(f, "\r\x1b[K%s: %s", m.what, stage)
	}
}

// step says how much of the work is done.
func (m *meter) step(done, total int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.done, m.total = done, total
	f := m.screen()
	if f == nil {
		return
	}
	if m.bar == nil {
		m.bar = progressbar.NewOptions(total, progressbar.OptionSetWriter(f), progressbar.OptionSetDescription(m.what),
			progressbar.OptionShowCount(), progressbar.OptionSetPredictTime(true), progressbar.OptionClearOnFinish(),
			progressbar.OptionThrottle(100*time.Millisecond))
	}
	m.bar.Set(done)
}

// end ends the showing.
func (m *meter) end() {
	close(m.quit)
	m.wait.Wait()
	m.mu.Lock()
	defer m.mu.Unlock()
	if f := m.screen(); f != nil && m.stage != "" {
		fmt.Fprint(f, "\r\x1b[K")
	}
	if m.bar != nil {
		m.bar.Finish()
	}
}

// line prints how far the work is.
func (m *meter) line() {
	m.mu.Lock()
	defer m.mu.Unlock()
	l := progressLine{Progress: m.what, Stage: m.stage, Done: m.done, Total: m.total, Seconds: time.Since(m.start).Seconds()}
	if m.done > 0 {
		l.Left = l.Seconds / float64(m.done) * float64(m.total-m.done)
	}
	if m.t.json {
		if data, err := json.Marshal(l); err == nil {
			fmt.Fprintf(m.t.stderr, "%s\n", data)
		}
		return
	}
	what := m.what
	if m.unit == "" {
		what += ": " + m.stage
	}
	switch {
	case m.total == 0 && m.stage != "":
		m.t.warnf("%s: %s, for %.0f s", m.what, m.stage, l.Seconds)
	case m.done == 0:
		m.t.warnf("%s, for %.0f s", m.what, l.Seconds)
	default:
		m.t.warnf("%s: %d of %d%s done, %d left, about %.0f s", what, m.done, m.total, m.unit, m.total-m.done, l.Left)
	}
}
