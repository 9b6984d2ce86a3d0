package published

import (
	"fmt"
	"maps"
	"slices"
)

// Method computes one case from its inputs.
type Method func(*Inputs) (Result, error)

// topic is what one file of this package offers: its methods, and the other
// names under which published values of that topic go.
type topic struct {
	methods map[string]Method
	alias   map[string]string
	loose   map[string]float64 // least relative tolerance of a method whose data are rounded
}

// topics lists every topic. A new topic is a new file and a line here.
func topics() []topic {
	return []topic{
		countTopic(),
		ratioTopic(),
		chartTopic(),
		limitsTopic(),
		gapTopic(),
		laneyTopic(),
		ruleTopic(),
		cusumTopic(),
		changeTopic(),
		regressionTopic(),
		siteTopic(),
		associationTopic(),
		agreementTopic(),
		survivalTopic(),
		forecastTopic(),
	}
}

// Methods returns the names of all methods, in order.
func Methods() []string {
	var names []string
	for _, t := range topics() {
		names = slices.AppendSeq(names, maps.Keys(t.methods))
	}
	slices.Sort(names)
	return names
}

// Compute runs one method on its inputs. The error names an unknown method or
// the input that is missing or outside its domain.
func Compute(method string, in *Inputs) (Result, error) {
	r, _, err := compute(method, in)
	return r, err
}

func compute(method string, in *Inputs) (Result, topic, error) {
	for _, t := range topics() {
		f, ok := t.methods[method]
		if !ok {
			continue
		}
		r, err := f(in)
		if err == nil {
			err = in.Err()
		}
		if err != nil {
			return nil, topic{}, fmt.Errorf("published: %s: %w", method, err)
		}
		return r, t, nil
	}
	return nil, topic{}, fmt.Errorf("published: method %q is not known", method)
}
