// Package pdfdraw draws a figure as vectors on a page of a PDF document.
//
// It is the export service's pen: the figure was laid out by analytics/figure
// exactly as for the screen, and this package plays it to the PDF library line
// by line and word by word, with the same typeface embedded, so that paper and
// page show one picture. It computes nothing, places nothing, and never
// rasterises. A PDF so made carries no structure tags: the accessible form of a
// document is its HTML page.
package pdfdraw
