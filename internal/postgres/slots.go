package postgres

import "hash/fnv"

// slots are the advisory locks that order what depends on references between resources: who writes a resource holds its
// slot alone, who names it shares it. The value says whether alone. Their number is bounded so that a large call stays
// within PostgreSQL's lock table.
type slots map[int32]bool

const slotCount = 256

func (s slots) alone(k key) { s[slotOf(k)] = true }

func (s slots) share(k key) {
	if n := slotOf(k); !s[n] {
		s[n] = false
	}
}

func (s slots) join(t slots) {
	for n, alone := range t {
		s[n] = s[n] || alone
	}
}

// covers reports whether holding s is holding all of t.
func (s slots) covers(t slots) bool {
	for n, alone := range t {
		if held, ok := s[n]; !ok || alone && !held {
			return false
		}
	}
	return true
}

func slotOf(k key) int32 {
	h := fnv.New32a()
	h.Write([]byte(k.feed + "|" + k.ref()))
	return int32(h.Sum32() % slotCount)
}
