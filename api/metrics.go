package api

import (
	"net/http"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// meters are the counters of the API. Labels are route patterns, methods, statuses, resource types and fates: a closed
// set of our own words, never an id.
type meters struct {
	requests  *prometheus.CounterVec
	seconds   *prometheus.HistogramVec
	resources *prometheus.CounterVec
}

// Fates that only the doors know; the others are screen.Fate.
const (
	fateIgnored = "ignored" // a type or a request that the doors take no interest in
	fateRefused = "refused" // could not be read
)

func newMeters(r *prometheus.Registry) (*meters, error) {
	m := &meters{
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "dwellwatch_http_requests_total", Help: "Requests by route pattern, method and status."},
			[]string{"route", "method", "status"}),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "dwellwatch_http_request_seconds", Help: "Time taken by requests.", Buckets: prometheus.DefBuckets},
			[]string{"route"}),
		resources: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "dwellwatch_delivered_resources_total", Help: "Delivered resources by type and what became of them."},
			[]string{"type", "fate"}),
	}
	for _, c := range []prometheus.Collector{m.requests, m.seconds, m.resources} {
		if err := r.Register(c); err != nil {
			return nil, err
		}
	}
	return m, nil
}

func (m *meters) request(route, method string, status int, took time.Duration) {
	m.requests.WithLabelValues(route, method, strconv.Itoa(status)).Inc()
	m.seconds.WithLabelValues(route).Observe(took.Seconds())
}

func (m *meters) resource(resourceType, fate string) {
	if !kept(resourceType) {
		resourceType = "other"
	}
	m.resources.WithLabelValues(resourceType, fate).Inc()
}

func (s *server) metrics() gin.HandlerFunc {
	return gin.WrapH(promhttp.HandlerFor(s.Registry, promhttp.HandlerOpts{}))
}

func (s *server) healthz(c *gin.Context) {
	c.Data(http.StatusOK, "text/plain; charset=utf-8", []byte("ok\n"))
}

func (s *server) readyz(c *gin.Context) {
	if err := s.Ready(c.Request.Context()); err != nil {
		s.Log.Warn("not ready", "cause", kindOfError(err))
		c.Header("Retry-After", retryAfter)
		c.Data(http.StatusServiceUnavailable, "text/plain; charset=utf-8", []byte("not ready\n"))
		return
	}
	c.Data(http.StatusOK, "text/plain; charset=utf-8", []byte("ready\n"))
}
