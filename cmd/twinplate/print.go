package main

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"
)

// printable writes control characters, and those that turn the direction of writing, as Go does in
// quotes: a file's name must not command the terminal, nor look like another.
func printable(s string) string {
	odd := func(r rune) bool {
		return unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r)
	}
	if strings.IndexFunc(s, odd) < 0 {
		return s
	}
	var b strings.Builder
	for _, r := range s {
		if odd(r) {
			quoted := strconv.QuoteRuneToASCII(r)
			b.WriteString(quoted[1 : len(quoted)-1])
		} else {
			b.WriteRune(r)
		}
	}
	return b.String()
}

// texts makes those arguments printable that are text.
func texts(args []any) []any {
	out := make([]any, len(args))
	for i, a := range args {
		switch v := a.(type) {
		case string:
			a = printable(v)
		case error:
			a = printable(v.Error())
		case fmt.Stringer:
			a = printable(v.String())
		}
		out[i] = a
	}
	return out
}

// printf prints to standard output. What its arguments hold comes without control characters.
func (t *terminal) printf(format string, args ...any) {
	fmt.Fprintf(t.stdout, format, texts(args)...)
}

// warnf prints a line to standard error, likewise.
func (t *terminal) warnf(format string, args ...any) {
	fmt.Fprintf(t.stderr, "twinplate: "+format+"\n", texts(args)...)
}
