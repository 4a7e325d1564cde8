// Package tables answers "in which bytes is a table taken away?". It writes rows
// of any type to CSV or Parquet, piece by piece, so that no more than one
// session's rows are held at a time. What the rows say is pkg/wire's; nothing is
// reckoned here, and nothing asked for.
package tables

import (
	"errors"
	"fmt"
	"io"
	"iter"

	"github.com/parquet-go/parquet-go"

	"rainhill/pkg/wire"
)

// Writer takes a table's rows. What has been Put is whole only after Close.
type Writer[T any] interface {
	Put(iter.Seq[T]) error
	Close() error
}

// Format is one of the ways to write a table.
type Format struct {
	Ending, Kind string // of the file's name; of its content
}

// Formats by their ending.
var (
	CSV     = Format{"csv", "text/csv; charset=utf-8"}
	Parquet = Format{"parquet", "application/vnd.apache.parquet"}
)

// New begins a table in a format.
func New[T any](f Format, w io.Writer) (Writer[T], error) {
	switch f {
	case CSV:
		return wire.NewCSV[T](w)
	case Parquet:
		return newParquet[T](w), nil
	}
	return nil, fmt.Errorf("there is no table format %q", f.Ending)
}

// rowsAtOnce go to the encoder together; a row group is ended with each Put, and
// within one after so many rows.
const (
	rowsAtOnce = 256
	groupRows  = 50_000
)

type parquetWriter[T any] struct {
	out  *parquet.GenericWriter[T]
	held []T
}

// newParquet writes columns as the rows' tags name and type them: instants as
// TIMESTAMP in microseconds of UTC, empty cells as null.
func newParquet[T any](w io.Writer) *parquetWriter[T] {
	return &parquetWriter[T]{
		out: parquet.NewGenericWriter[T](w, parquet.Compression(&parquet.Snappy), parquet.MaxRowsPerRowGroup(groupRows), parquet.CreatedBy("rainhill", "1", "")),
	}
}

// Put writes rows as a row group of their own.
func (p *parquetWriter[T]) Put(rows iter.Seq[T]) error {
	for row := range rows {
		if p.held = append(p.held, row); len(p.held) == rowsAtOnce {
			if err := p.write(); err != nil {
				return err
			}
		}
	}
	return errors.Join(p.write(), p.out.Flush())
}

func (p *parquetWriter[T]) write() error {
	_, err := p.out.Write(p.held)
	p.held = p.held[:0]
	return err
}

// Close writes the foot, without which the file cannot be read.
func (p *parquetWriter[T]) Close() error { return p.out.Close() }
