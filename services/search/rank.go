package search

import (
	"math"

	index "github.com/blevesearch/bleve_index_api"
)

// Constants of the score. saturation and usualLength are those of the BM25
// family of weights (Robertson and Zaragoza 2009, "The Probabilistic Relevance
// Framework: BM25 and Beyond": k1 = 1.2, b = 0.75), with one difference: the
// usual length is fixed and no word weighs more for being rare, so that the
// score of a report depends on nothing but the report and the words. A story
// has 40 to 80 words (the sample in testdata; common in the trade's records).
const (
	saturation  = 1.2
	lengthShare = 0.75
	usualLength = 60.0
	// inRowBonus is for words that were asked for, and stand, in a row.
	inRowBonus = 1.5
)

// weigh is the score of a term that occurs freq times in a field of length
// words: from 0, when it does not occur, to 1.
func weigh(freq uint64, norm float64) float64 {
	if freq == 0 || norm <= 0 {
		return 0
	}
	length := 1 / (norm * norm)
	return float64(freq) / (float64(freq) + saturation*(1-lengthShare+lengthShare*length/usualLength))
}

// ranker scores documents. They must come in the order of the index.
type ranker struct {
	rd    reading
	terms termReaders
}

func newRanker(p plan, rd reading) (*ranker, error) {
	r := &ranker{rd: rd, terms: termReaders{}}
	for _, t := range rd.allTerms() {
		if err := r.terms.open(p, t, false); err != nil {
			r.close()
			return nil, err
		}
	}
	return r, nil
}

// allTerms returns every term that can count for a report, repeats included.
func (rd reading) allTerms() []string {
	out := rd.helps
	for _, w := range rd.wanted {
		for _, way := range w.ways {
			for _, ph := range way.phrases {
				for _, alternatives := range ph {
					out = append(out[:len(out):len(out)], alternatives...)
				}
			}
		}
	}
	return out
}

func (r *ranker) close() { r.terms.close() }

// score is the sum over everything wanted of the best way in which it is
// there, and a little for every word that helps.
func (r *ranker) score(id index.IndexInternalID) (float64, error) {
	sum := 0.0
	for _, w := range r.rd.wanted {
		best := 0.0
		for _, way := range w.ways {
			s, err := r.way(way, id)
			if err != nil {
				return 0, err
			}
			best = max(best, s)
		}
		sum += best
	}
	for _, h := range r.rd.helps {
		s, err := r.term(h, id)
		if err != nil {
			return 0, err
		}
		sum += asHelp * s
	}
	return sum, nil
}

func (r *ranker) way(w way, id index.IndexInternalID) (float64, error) {
	sum := 0.0
	for _, ph := range w.phrases {
		least := math.Inf(1)
		for _, alternatives := range ph {
			if len(alternatives) == 0 {
				continue
			}
			best := 0.0
			for _, t := range alternatives {
				s, err := r.term(t, id)
				if err != nil {
					return 0, err
				}
				best = max(best, s)
			}
			least = min(least, best)
		}
		if least == 0 {
			return 0, nil // this is not how it is there
		}
		if len(ph) > 1 {
			least *= inRowBonus
		}
		sum += least
	}
	return w.weight * sum / float64(len(w.phrases)), nil
}

func (r *ranker) term(term string, id index.IndexInternalID) (float64, error) {
	best := 0.0
	for _, t := range r.terms[term] {
		here, err := t.to(id)
		if err != nil {
			return 0, err
		}
		if here {
			best = max(best, weigh(t.doc.Freq, t.doc.Norm))
		}
	}
	return best, nil
}
