package wire

import (
	"encoding/csv"
	"fmt"
	"io"
	"iter"
	"reflect"
	"strconv"
	"strings"
	"unicode/utf8"
)

// LapsHeader is the columns that a table of laps begins with, as the contract
// names them.
var LapsHeader = []string{"trial", "train", "lap", "start_us", "lap_time_s", "u_s", "speed_mm_s", "source", "counts"}

// WriteLapsCSV writes one row a lap. Times have six decimals, as their stamps
// have microseconds.
func WriteLapsCSV(w io.Writer, r Results) error { return WriteCSV(w, LapRows(r)) }

// WriteCSV writes a table with its header.
func WriteCSV[T any](w io.Writer, rows iter.Seq[T]) error {
	c, err := NewCSV[T](w)
	if err != nil {
		return err
	}
	return c.Put(rows)
}

// CSV writes a table piece by piece.
type CSV[T any] struct {
	out     *csv.Writer
	columns []column
	cells   []string
}

type column struct {
	name     string
	at       []int // which field, through rows that it holds
	decimals int   // of a float; -1 the shortest that is exact
}

// NewCSV begins a table with its header.
func NewCSV[T any](w io.Writer) (*CSV[T], error) {
	c := &CSV[T]{out: csv.NewWriter(w)}
	for _, f := range reflect.VisibleFields(reflect.TypeFor[T]()) {
		if f.Anonymous {
			continue // its own columns follow
		}
		name, _, _ := strings.Cut(f.Tag.Get("parquet"), ",")
		d := -1
		if n, err := strconv.Atoi(f.Tag.Get("csv")); err == nil {
			d = n
		}
		c.columns = append(c.columns, column{name, f.Index, d})
		c.cells = append(c.cells, name)
	}
	return c, c.out.Write(c.cells)
}

// Put writes rows and hands them on to what is written to.
func (c *CSV[T]) Put(rows iter.Seq[T]) error {
	for row := range rows {
		v := reflect.ValueOf(row)
		for i, col := range c.columns {
			c.cells[i] = col.cell(v.FieldByIndex(col.at))
		}
		if err := c.out.Write(c.cells); err != nil {
			return err
		}
	}
	c.out.Flush()
	return c.out.Error()
}

// Close hands on what is left: of an empty table, its head.
func (c *CSV[T]) Close() error {
	c.out.Flush()
	return c.out.Error()
}

func (c column) cell(v reflect.Value) string {
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			return ""
		}
		v = v.Elem()
	}
	switch v.Kind() {
	case reflect.String:
		return safe(v.String())
	case reflect.Float64:
		return strconv.FormatFloat(v.Float(), 'f', c.decimals, 64)
	}
	return fmt.Sprint(v.Interface())
}

// safe keeps a spreadsheet from taking a text for a formula; some take the wide
// signs of East Asian text for one too.
func safe(s string) string {
	if formula(s) {
		return "'" + s
	}
	return s
}

func formula(s string) bool {
	first, _ := utf8.DecodeRuneInString(s)
	return s != "" && strings.ContainsRune("=+-@\t\r\n＝＋－＠", first)
}
