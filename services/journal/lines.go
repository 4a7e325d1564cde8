package journal

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"

	"rainhill/pkg/wire"
)

// maxLine is the longest line of a file that is read; a longer one is passed
// over and reported as too long.
const maxLine = 4 * wire.MaxEventBytes

// EachLine hands every line that is not blank to fn, with its number from 1,
// without its end and without a byte order mark. A line too long is handed on
// cut off, which no decoder takes for whole.
func EachLine(r io.Reader, fn func(n int, line []byte) error) error {
	in := bufio.NewReaderSize(r, 64<<10)
	for n := 1; ; n++ {
		line, err := readLine(in)
		if n == 1 {
			line = bytes.TrimPrefix(line, []byte("\ufeff"))
		}
		if line = bytes.TrimSpace(line); len(line) > 0 {
			if err := fn(n, line); err != nil {
				return err
			}
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("line %d: %w", n, err)
		}
	}
}

func readLine(in *bufio.Reader) ([]byte, error) {
	line, err := in.ReadSlice('\n')
	if !errors.Is(err, bufio.ErrBufferFull) {
		return line, err
	}
	whole := bytes.Clone(line)
	for errors.Is(err, bufio.ErrBufferFull) {
		line, err = in.ReadSlice('\n')
		if len(whole) <= maxLine {
			whole = append(whole, line...)
		}
	}
	return whole, err
}
