package server

import (
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"google.golang.org/grpc/codes"
)

// metrics are counts and times by method; no label ever carries a workplace, a
// person or a word.
type metrics struct {
	registry *prometheus.Registry
	calls    *prometheus.CounterVec
	took     *prometheus.HistogramVec
	// caught counts what the net took out of answers; see net.go.
	caught    *prometheus.CounterVec
	caughtAll atomic.Int64
}

func newMetrics(head func() int64, behind map[string]func() int64) *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		calls: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "fairlead_calls_total", Help: "Calls by method and status code.",
		}, []string{"method", "code"}),
		took: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "fairlead_call_seconds", Help: "Time to answer by method.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10, 30},
		}, []string{"method"}),
		caught: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "fairlead_answer_fields_taken_out_total", Help: "Fields taken out of answers whose reader is not cleared for them: faults of a room, to be reported.",
		}, []string{"method"}),
	}
	m.registry.MustRegister(m.calls, m.took, m.caught, collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Name: "fairlead_log_sequence_number", Help: "Last sequence number of the log.",
		}, func() float64 { return float64(head()) }))
	for name, f := range behind {
		m.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Name: "fairlead_projection_behind", Help: "Changes that a projection has not applied yet.",
			ConstLabels: prometheus.Labels{"projection": name},
		}, func() float64 { return float64(f()) }))
	}
	return m
}

func (m *metrics) observe(method string, code codes.Code, took time.Duration) {
	m.calls.WithLabelValues(method, code.String()).Inc()
	m.took.WithLabelValues(method).Observe(took.Seconds())
}
