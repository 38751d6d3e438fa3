// Package pngfile is what readers and writers of PNG share: chunks, and lines with their filters (PNG
// specification, third edition, sections 5 and 9).
package pngfile

import (
	"bufio"
	"encoding/binary"
	"hash/crc32"
	"io"
	"math"
)

// Signature is what a file begins with.
const Signature = "\x89PNG\r\n\x1a\n"

// Color types of the IHDR chunk.
const Gray, Color, GrayAlpha, ColorAlpha = 0, 2, 4, 6

// Chunks reads a file's chunks one after the other, and the data of successive IDAT chunks as one
// stream.
type Chunks struct {
	Kind string // of the chunk; empty where there is none, or it is damaged
	Left uint32 // bytes of the chunk that have not been read

	file io.Reader
	sum  uint32 // CRC-32 of what was read of the chunk
}

// NewChunks returns the chunks of a file, whose signature is not looked at.
func NewChunks(file io.ReaderAt) *Chunks {
	at := int64(len(Signature))
	return &Chunks{file: bufio.NewReaderSize(io.NewSectionReader(file, at, math.MaxInt64-at), 1<<14)}
}

// Next begins the next chunk, and reports whether there is one. The one before must be at its end.
func (c *Chunks) Next() bool {
	var head [8]byte
	c.Kind, c.Left = "", 0
	if !c.full(head[:]) || head[0] >= 0x80 {
		return false
	}
	c.Left, c.Kind, c.sum = binary.BigEndian.Uint32(head[:]), string(head[4:]), crc32.ChecksumIEEE(head[4:])
	return true
}

// Part fills b from the chunk, which has as much left, and reports whether it could.
func (c *Chunks) Part(b []byte) bool {
	if !c.full(b) {
		return false
	}
	c.Left -= uint32(len(b))
	c.sum = crc32.Update(c.sum, crc32.IEEETable, b)
	return true
}

// End reports whether all of the chunk was read and its checksum is right.
func (c *Chunks) End() bool {
	var sum [4]byte
	return c.Left == 0 && c.full(sum[:]) && binary.BigEndian.Uint32(sum[:]) == c.sum
}

// Skip reads to the chunk's end, as End does.
func (c *Chunks) Skip() bool {
	var some [1 << 10]byte
	for c.Left > 0 {
		if !c.Part(some[:min(c.Left, uint32(len(some)))]) {
			return false
		}
	}
	return c.End()
}

// Read is io.Reader's, from an IDAT chunk on to those that follow. After it has returned io.EOF, Kind
// is that of the first chunk which is none.
func (c *Chunks) Read(b []byte) (int, error) {
	for c.Left == 0 && c.Kind == "IDAT" {
		if !c.End() {
			c.Kind = ""
			return 0, io.ErrUnexpectedEOF
		}
		c.Next()
	}
	if c.Kind != "IDAT" {
		return 0, io.EOF
	}
	b = b[:min(uint32(len(b)), c.Left)]
	if !c.Part(b) {
		c.Kind = ""
		return 0, io.ErrUnexpectedEOF
	}
	return len(b), nil
}

func (c *Chunks) full(b []byte) bool {
	_, err := io.ReadFull(c.file, b)
	return err == nil
}

// WriteChunk writes a chunk, whose data may be in parts.
func WriteChunk(w io.Writer, kind string, data ...[]byte) error {
	var head [8]byte
	copy(head[4:], kind)
	sum, n := crc32.ChecksumIEEE(head[4:]), 0
	for _, part := range data {
		n += len(part)
		sum = crc32.Update(sum, crc32.IEEETable, part)
	}
	binary.BigEndian.PutUint32(head[:], uint32(n))
	if _, err := w.Write(head[:]); err != nil {
		return err
	}
	for _, part := range append(data, binary.BigEndian.AppendUint32(nil, sum)) {
		if _, err := w.Write(part); err != nil {
			return err
		}
	}
	return nil
}
