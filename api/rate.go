package api

import (
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// maxCallers bounds how many callers are counted at once. Callers are known before they are counted, so there are few; where there
// are more, counting begins anew.
const maxCallers = 4096

// rates counts the requests of each caller.
type rates struct {
	perSecond float64

	mu      sync.Mutex
	callers map[string]*rate.Limiter
}

func newRates(perSecond float64) *rates {
	return &rates{perSecond: perSecond, callers: map[string]*rate.Limiter{}}
}

// allow counts a request and reports whether it is one of those that the caller may send now.
func (r *rates) allow(who string, now time.Time) bool {
	if r.perSecond <= 0 {
		return true
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	l := r.callers[who]
	if l == nil {
		if len(r.callers) >= maxCallers {
			clear(r.callers)
		}
		l = rate.NewLimiter(rate.Limit(r.perSecond), max(1, int(2*r.perSecond)))
		r.callers[who] = l
	}
	return l.AllowN(now, 1)
}
