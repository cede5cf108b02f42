/* One scale of shrinkage, whatever gives it its planes: see shrink.py. */
#ifndef PANOPIPE_SHRINK_H
#define PANOPIPE_SHRINK_H

#include "spline.h"

#define BANDS 3
#define COLOURS 2
#define WINDOW_REACH 2
#define LEAST_ENERGY 1e-6f

/* Sums of pairs: of the energy of each band of lightness, of that of each colour, of what each colour shares with
   lightness, and of lightness as the colours weigh it. */
enum { OWN = BANDS, BOTH = OWN + COLOURS, LIT = BOTH + COLOURS, SUMS };
/* Rows of detail that are kept: the bands, then the colours. */
enum { COLOUR = BANDS, DETAILS = COLOUR + COLOURS };
/* Rows that a pair needs while it is worked on; of those before SPARE its second row has as many again. GIVER is for
   what gives the planes: two rows of each. */
enum { DOWN, SMOOTH = DOWN + 3, ALONG = SMOOTH + 3, OF_ROW, SPARE = 2 * OF_ROW, GIVER = SPARE + 6, ROWS = GIVER + 6 };

typedef struct Tile Tile;
typedef struct Scale Scale;

/* A scale, and what takes a row of its planes into a tile: from `planes`, or from what `giver` points to. */
struct Scale {
    Py_ssize_t rows, width, spacing, from_one, odd, fresh, results, skip, left, left_width;
    const float *planes, *noise, *shares, *control;
    const int32_t *columns;
    float *smooth, *change;
    void (*take_row)(const Scale *scale, const Tile *tile, Py_ssize_t row);
    void *giver;
};

/* A plane of a tile, as many rows (or pairs) as are needed at once: a power of two, less one in `mask`. */
typedef struct {
    Py_ssize_t mask, stride;
    float *rows;
} Ring;

/* Planes of a tile: rows of `stride` floats, the tile's own first column after `halo` others; `taken` rows of the
   planes are there so far. */
struct Tile {
    Py_ssize_t first, count, halo, stride, taken;
    Ring plane[3], detail[DETAILS], threshold[COLOURS], sum[SUMS];
    float *rows;
};

INLINE float *at(const Ring *ring, Py_ssize_t row) { return ring->rows + (row & ring->mask) * ring->stride; }
INLINE float *row_of(const Tile *tile, int number) { return tile->rows + number * tile->stride; }

/* Pairs from the middle of a window to its ends, and between those that it sums. */
INLINE Py_ssize_t step_of(const Scale *scale) { return scale->spacing == 1 ? 1 : scale->spacing / 2; }
INLINE Py_ssize_t reach_of(const Scale *scale) { return scale->spacing == 1 ? 1 : scale->spacing; }
INLINE float window_of(const Scale *scale) { return scale->spacing == 1 ? 30.0f : 50.0f; }

/* Columns of a tile's row that follow each other in the frame, whose rows go on at their other end. */
typedef struct {
    Py_ssize_t at, column, count;
} Piece;

INLINE Piece piece_from(const Scale *scale, const Tile *tile, Py_ssize_t at, Py_ssize_t column)
{
    Py_ssize_t left = tile->stride - at, room = scale->width - column;
    Piece piece = {at, column, room < left ? room : left};
    return piece;
}

INLINE Piece first_piece(const Scale *scale, const Tile *tile)
{
    Py_ssize_t column = (tile->first - tile->halo) % scale->width;
    return piece_from(scale, tile, 0, column < 0 ? column + scale->width : column);
}

INLINE Piece next_piece(const Scale *scale, const Tile *tile, Piece piece)
{
    return piece_from(scale, tile, piece.at + piece.count, 0);
}

/* Work on a scale without a fault, close its arrays, and tell Python what came of it. */
PyObject *end_shrink(const Scale *scale, Arrays *arrays, const char *fault);
/* What leads out of its arrays, or NULL. */
const char *shrink_fault(const Scale *scale);

#endif
