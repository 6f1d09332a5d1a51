package workup

import (
	"strings"
	"unicode/utf8"
)

// measure gives the width in millimetres of a text in a size in points.
type measure func(size float64, bold bool, text string) float64

// wrap breaks a text into lines no wider than w, the first no wider than head. Beyond n lines it ends with a sign that it
// goes on; n of 0 is no bound. A word wider than a line is broken between letters.
func (m measure) wrap(size float64, bold bool, text string, head, w float64, n int) []string {
	var lines []string
	current, room := "", head
	turn := func() {
		lines = append(lines, current)
		current, room = "", w
	}
	for _, word := range strings.Fields(text) {
		if joined := strings.TrimSpace(current + " " + word); m(size, bold, joined) <= room {
			current = joined
			continue
		}
		if current != "" || room < w {
			turn()
		}
		for m(size, bold, word) > room {
			cut := m.fitting(size, bold, word, room)
			current, word = word[:cut], word[cut:]
			turn()
		}
		current = word
	}
	if current != "" || len(lines) == 0 {
		turn()
	}
	if n == 0 || len(lines) <= n {
		return lines
	}
	room = w
	if n == 1 {
		room = head
	}
	last := lines[n-1]
	for last != "" && m(size, bold, last+"…") > room {
		_, size := utf8.DecodeLastRuneInString(last)
		last = last[:len(last)-size]
	}
	lines[n-1] = strings.TrimRight(last, " ") + "…"
	return lines[:n]
}

// fitting gives how many bytes of a word fit, at least one letter.
func (m measure) fitting(size float64, bold bool, word string, w float64) int {
	end := 0
	for i, r := range word {
		next := i + utf8.RuneLen(r)
		if r == utf8.RuneError {
			next = i + 1
		}
		if end > 0 && m(size, bold, word[:next]) > w {
			break
		}
		end = next
	}
	return end
}

// spread gives the upper edges of blocks that stand in their order between lo and hi, do not overlap, and lie as near to
// where they want to be as that allows. Where hi leaves no room the blocks go on beyond it.
func spread(wanted, heights []float64, lo, hi float64) []float64 {
	type cluster struct {
		n           int
		sum, height float64 // sum of wanted edges, each less the height above it in the cluster
	}
	place := func(c cluster) float64 { return max(lo, min(c.sum/float64(c.n), hi-c.height)) }
	var list []cluster
	for i := range wanted {
		list = append(list, cluster{1, wanted[i], heights[i]})
		for len(list) > 1 {
			a, b := list[len(list)-2], list[len(list)-1]
			if place(a)+a.height <= place(b) {
				break
			}
			list = append(list[:len(list)-2], cluster{a.n + b.n, a.sum + b.sum - float64(b.n)*a.height, a.height + b.height})
		}
	}
	var out []float64
	for _, c := range list {
		y := place(c)
		for range c.n {
			out = append(out, y)
			y += heights[len(out)-1]
		}
	}
	return out
}
