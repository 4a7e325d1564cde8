package main

import (
	"cmp"
	"flag"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"rainhill/pkg/report"
	"rainhill/pkg/wire"
)

// paper is what a command draws and writes beside its figures: a drawing, a sheet to hand
// round, or neither.
type paper struct {
	svg, sheet, question *string
	files                []string // that it was made from
}

func paperFlags(fs *flag.FlagSet) paper {
	return paper{
		svg:      fs.String("svg", "", "draw the plot into `file`"),
		sheet:    fs.String("sheet", "", "write a sheet to hand round into `file`: HTML that opens alone"),
		question: fs.String("question", "", "what the sheet says was asked; made from the choices when not given"),
	}
}

// check refuses - for a file: standard output has the answer.
func (p paper) check() error {
	if *p.svg == "-" || *p.sheet == "-" {
		return fmt.Errorf("%w: --svg and --sheet want the name of a file: standard output has the answer", errUsage)
	}
	return nil
}

// put writes what was asked for.
func (p paper) put(draw func() ([]byte, error), write func(report.About) (report.Sheet, error), title string) error {
	if err := p.check(); err != nil {
		return err
	}
	if *p.svg != "" {
		b, err := draw()
		if err != nil {
			return err
		}
		if err := os.WriteFile(*p.svg, b, 0o644); err != nil {
			return fmt.Errorf("drawing: %w", err)
		}
	}
	if *p.sheet == "" {
		return nil
	}
	about := report.About{Title: title, Question: *p.question, Lines: []report.Line{{Name: "written", Says: time.Now().Format("2 January 2006, 15:04")}, p.made()}}
	s, err := write(about)
	if err != nil {
		return err
	}
	b, err := s.HTML()
	if err != nil {
		return err
	}
	if err := os.WriteFile(*p.sheet, b, 0o644); err != nil {
		return fmt.Errorf("writing the sheet: %w", err)
	}
	return nil
}

// of is the paper of one of several things: its name stands before the ending.
func (p paper) of(name string) paper {
	svg, sheet := fileOf(*p.svg, name), fileOf(*p.sheet, name)
	return paper{&svg, &sheet, p.question, p.files}
}

// mostFiles is how many files a sheet names.
const mostFiles = 8

// made says which files a sheet was made from, by their names without folders.
func (p paper) made() report.Line {
	var names []string
	for _, file := range p.files[:min(len(p.files), mostFiles)] {
		if file == "-" {
			file = "standard input"
		}
		names = append(names, filepath.Base(file))
	}
	says := strings.Join(names, ", ")
	if more := len(p.files) - mostFiles; more > 0 {
		says += fmt.Sprintf(" and %d more", more)
	}
	return report.Line{Name: "made from", Says: says}
}

// fileOf is a file's name with another name before its ending.
func fileOf(file, name string) string {
	if file == "" {
		return ""
	}
	ext := filepath.Ext(file)
	plain := strings.Map(func(c rune) rune {
		if strings.ContainsRune(`/\:*?"<>| `, c) {
			return '-'
		}
		return c
	}, name)
	return strings.TrimSuffix(file, ext) + "-" + plain + ext
}

func (p paper) compare(r wire.CompareResult) error {
	return p.put(func() ([]byte, error) { return report.Compare(r, report.Light) },
		func(a report.About) (report.Sheet, error) { return report.OfComparison(r, a) }, "Comparison by "+cmp.Or(r.Words[r.Factor], r.Factor))
}

// pulls draws what there is to draw, telling of files that nobody named, and writes one
// sheet of all.
func (p paper) pulls(r wire.PullResult, told io.Writer) error {
	none := ""
	drawings := p.drawings(r)
	for _, file := range slices.Sorted(maps.Keys(drawings)) {
		if err := (paper{&file, &none, p.question, p.files}).put(drawings[file], nil, ""); err != nil {
			return err
		}
		if file != *p.svg {
			fmt.Fprintf(told, "%s is drawn.\n", file)
		}
	}
	return paper{&none, p.sheet, p.question, p.files}.put(nil, func(a report.About) (report.Sheet, error) { return report.OfPulls(r, a) }, "Pull tests")
}

// drawings are of each limit, by the file: one of its own where there are several; and of how
// the methods agree.
func (p paper) drawings(r wire.PullResult) map[string]func() ([]byte, error) {
	out := map[string]func() ([]byte, error){}
	if *p.svg == "" {
		return out
	}
	for _, l := range r.Locomotives {
		file, name := *p.svg, strings.ReplaceAll(l.Name, ", ", "-")
		if len(r.Locomotives) > 1 {
			file = fileOf(*p.svg, name)
		}
		for n := 2; out[file] != nil; n++ {
			file = fileOf(*p.svg, fmt.Sprintf("%s-%d", name, n))
		}
		out[file] = func() ([]byte, error) { return report.Pull(l, report.Light) }
	}
	if r.Agreement != nil {
		out[fileOf(*p.svg, "agreement")] = func() ([]byte, error) { return report.Agreement(*r.Agreement, report.Light) }
	}
	return out
}

func (p paper) coast(r wire.CoastResult) error {
	return p.put(func() ([]byte, error) { return report.Coast(r, report.Light) },
		func(a report.About) (report.Sheet, error) { return report.OfCoasting(r, a) }, "Coasting")
}
