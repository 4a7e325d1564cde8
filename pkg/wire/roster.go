package wire

import (
	"bytes"
	"encoding/json"
	"strconv"
	"strings"
	"unicode"
)

// Roster is the stock that a book names: a setup.json file without its circuit
// and trials.
type Roster struct {
	Locomotives []Locomotive `json:"locomotives"`
	Consists    []Consist    `json:"consists"`
	NamedMotors []NamedMotor `json:"named_motors"`
	Batteries   []Battery    `json:"batteries"`
}

// How an item of a file stands to the book.
const (
	ItemNew     = "new"
	ItemChanged = "changed"
	ItemSame    = "same"
)

// RosterItem is one thing that a file holds, as a decision would carry it: What
// and Value. Line is where it begins in the file.
type RosterItem struct {
	What  string `json:"what"`
	ID    string `json:"id"`
	Is    string `json:"is"`
	Line  int    `json:"line"`
	Value any    `json:"value"`
}

// Complaint says why something in a file cannot be taken. Line counts from 1, 0
// is the whole file; Column is the name at the head of the table, or of the field.
type Complaint struct {
	Line   int    `json:"line"`
	Column string `json:"column,omitempty"`
	Reason string `json:"reason"`
}

// RosterCheck is what a file of stock holds beside the book that is true at Rev.
// An item with any complaint is not among the items. Remarks say what was left
// out without harm.
type RosterCheck struct {
	Rev        uint64       `json:"rev"`
	Items      []RosterItem `json:"items"`
	Complaints []Complaint  `json:"complaints"`
	Remarks    []string     `json:"remarks"`
}

// ReadRoster reads a file of stock, JSON or a table, and compares it with the
// book. The file's name helps only where its head does not tell what it holds.
func ReadRoster(name, text string, book Roster) RosterCheck {
	r := &rosterReader{book: book, out: RosterCheck{Items: []RosterItem{}, Complaints: []Complaint{}, Remarks: []string{}}}
	text = strings.TrimPrefix(text, "\ufeff")
	if begin := strings.TrimSpace(text); strings.HasPrefix(begin, "{") || strings.HasPrefix(begin, "[") {
		r.json(text)
	} else {
		r.table(name, text)
	}
	return r.out
}

type rosterReader struct {
	book Roster
	out  RosterCheck
}

func (r *rosterReader) complain(line int, column, reason string) {
	r.out.Complaints = append(r.out.Complaints, Complaint{line, column, reason})
}

// take puts an item among those that may be written, when it passes its own check.
func (r *rosterReader) take(line int, what string, value any) {
	id, err := checkItem(value)
	if err != nil {
		r.complain(line, "", strings.TrimPrefix(err.Error(), ErrMalformed.Error()+": "))
		return
	}
	r.out.Items = append(r.out.Items, RosterItem{what, id, r.book.stands(what, id, value), line, value})
}

func checkItem(value any) (id string, err error) {
	switch v := value.(type) {
	case Locomotive:
		return v.ID, v.Check()
	case Consist:
		return v.ID, v.Check()
	case NamedMotor:
		return v.ID, v.Check()
	case Battery:
		return v.ID, v.Check()
	}
	return "", malformed("it is no stock")
}

// names are id and name of all the roster has of one kind.
func (b Roster) names(what string) (of [][2]string) {
	switch what {
	case WhatLocomotive:
		for _, x := range b.Locomotives {
			of = append(of, [2]string{x.ID, x.Name})
		}
	case WhatConsist:
		for _, x := range b.Consists {
			of = append(of, [2]string{x.ID, x.Name})
		}
	case WhatMotor:
		for _, x := range b.NamedMotors {
			of = append(of, [2]string{x.ID, x.Name})
		}
	case WhatBattery:
		for _, x := range b.Batteries {
			of = append(of, [2]string{x.ID, x.Name})
		}
	}
	return of
}

// item is what the roster has of a kind under an id, nil when nothing.
func (b Roster) item(what, id string) any {
	switch what {
	case WhatLocomotive:
		return find(b.Locomotives, func(x Locomotive) bool { return x.ID == id })
	case WhatConsist:
		return find(b.Consists, func(x Consist) bool { return x.ID == id })
	case WhatMotor:
		return find(b.NamedMotors, func(x NamedMotor) bool { return x.ID == id })
	case WhatBattery:
		return find(b.Batteries, func(x Battery) bool { return x.ID == id })
	}
	return nil
}

func find[T any](in []T, is func(T) bool) any {
	for _, x := range in {
		if is(x) {
			return x
		}
	}
	return nil
}

// stands compares as JSON does: nothing stated and an empty list are the same.
func (b Roster) stands(what, id string, value any) string {
	had := b.item(what, id)
	if had == nil {
		return ItemNew
	}
	x, errX := json.Marshal(had)
	y, errY := json.Marshal(value)
	if errX == nil && errY == nil && bytes.Equal(x, y) {
		return ItemSame
	}
	return ItemChanged
}

// Letters with a mark, and the plain ones that ids are made with.
const (
	marked  = "àáâãäåāăąçćčďđèéêëēęěìíîïīłñńňòóôõöøōőřśşšťţùúûüūůűýÿźżž"
	unmarks = "aaaaaaaaacccddeeeeeeeiiiiilnnnoooooooorsssttuuuuuuuyyzzz"
)

// slugOf makes an id of a name that is not taken yet.
func slugOf(name, otherwise string, taken map[string]bool) string {
	plain, to := []rune(marked), []rune(unmarks)
	base := strings.Map(func(c rune) rune {
		c = unicode.ToLower(c)
		for i, m := range plain {
			if c == m {
				return to[i]
			}
		}
		if c >= 'a' && c <= 'z' || c >= '0' && c <= '9' {
			return c
		}
		return '-'
	}, strings.ReplaceAll(name, "ß", "ss"))
	base = strings.Join(strings.FieldsFunc(base, func(c rune) bool { return c == '-' }), "-")
	base = strings.TrimRight(base[:min(len(base), 28)], "-")
	if base == "" {
		base = otherwise
	}
	for id, n := base, 2; ; n++ {
		if !taken[id] {
			return id
		}
		id = base + "-" + strconv.Itoa(n)
	}
}
