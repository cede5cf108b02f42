/* See merge.py. */
#include "common.h"

#define RUN 384 /* samples at a time: a multiple of three, all of them in the first cache */
#define MOST 32

enum { BLACK, GAIN, TIME, SLOPE, LEAST, DARK, FACTS };

typedef struct {
    float of[FACTS][RUN];
} Facts;

typedef struct {
    float share[MOST][RUN], own[MOST][RUN], trust[MOST][RUN], sure[MOST][RUN];
    float light[RUN], weight[RUN], square[RUN], expected[RUN];
} Work;

INLINE float faded_by(float t)
{
    t = least_of(most_of(t, 0.0f), 1.0f);
    return 1.0f - t * t * (3.0f - 2.0f * t);
}

INLINE void find_trust(const Facts *facts, const float *RESTRICT share, const float *RESTRICT top,
                       float *RESTRICT own, float *RESTRICT trust)
{
    for (int i = 0; i < RUN; i++) {
        float near = (top[i] - facts->of[BLACK][i]) * facts->of[GAIN][i];
        own[i] = faded_by((share[i] - 0.93f) * (1.0f / (0.97f - 0.93f)));
        trust[i] = own[i] * faded_by((near - 0.85f) * (1.0f / (0.95f - 0.85f)));
    }
}

INLINE void find_share(const Facts *facts, const float *RESTRICT samples, float *RESTRICT share)
{
    for (int i = 0; i < RUN; i++)
        share[i] = (samples[i] - facts->of[BLACK][i]) * facts->of[GAIN][i];
}

INLINE void add_by_time(const Facts *facts, const float *RESTRICT share, const float *RESTRICT trust,
                        float *RESTRICT light, float *RESTRICT weight)
{
    for (int i = 0; i < RUN; i++) {
        light[i] += trust[i] * share[i];
        weight[i] += trust[i] * facts->of[TIME][i];
    }
}

INLINE void add_by_noise(const Facts *facts, const float *RESTRICT share, const float *RESTRICT expected, float first,
                         float *RESTRICT trust, float *RESTRICT sure, float *RESTRICT light, float *RESTRICT weight,
                         float *RESTRICT square)
{
    for (int i = 0; i < RUN; i++) {
        float time = facts->of[TIME][i];
        sure[i] = time / (facts->of[SLOPE][i] * (time * expected[i]) + facts->of[LEAST][i] + 1e-12f);
        trust[i] = first * trust[i];
        float by_noise = trust[i] * sure[i];
        light[i] += by_noise * share[i];
        weight[i] += by_noise * time;
        square[i] += trust[i] * (by_noise * time);
    }
}

INLINE void find_told(const float *RESTRICT light, const float *RESTRICT weight, float *RESTRICT told,
                      float *RESTRICT variance)
{
    for (int i = 0; i < RUN; i++) {
        told[i] = light[i] / weight[i];
        variance[i] = variance[i] / (weight[i] * weight[i]);
    }
}

INLINE void add_what_agrees(const Facts *facts, const float *RESTRICT share, const float *RESTRICT own,
                            const float *RESTRICT trust, const float *RESTRICT sure, const float *RESTRICT told,
                            const float *RESTRICT variance, float *RESTRICT light, float *RESTRICT weight)
{
    for (int i = 0; i < RUN; i++) {
        float time = facts->of[TIME][i], off = share[i] - time * told[i];
        float unlike = off * off / (time / sure[i] + time * time * variance[i]);
        float agrees = own[i] * faded_by((unlike - 6.25f) * (1.0f / (12.25f - 6.25f)));
        float by_noise = most_of(agrees, trust[i]) * sure[i];
        light[i] += by_noise * share[i];
        weight[i] += by_noise * time;
    }
}

INLINE void clear(float *sums)
{
    for (int i = 0; i < RUN; i++)
        sums[i] = 0.0f;
}

INLINE void divide(const float *RESTRICT light, const float *RESTRICT weight, float *RESTRICT out)
{
    for (int i = 0; i < RUN; i++)
        out[i] = light[i] / weight[i];
}

INLINE const float *whole_run(const float *from, int count, float *padded)
{
    if (count == RUN)
        return from;
    memcpy(padded, from, (size_t)count * sizeof(float));
    return padded;
}

FAST static void join(const Facts *facts, Work *work, int count, const float *samples, const float *tops,
                      const uint8_t *faded, Py_ssize_t apart, Py_ssize_t length, float *out)
{
    float padded[RUN] = {0}, result[RUN], first;
    for (Py_ssize_t done = 0; done < length; done += RUN) {
        int here = length - done < RUN ? (int)(length - done) : RUN;
        clear(work->light);
        clear(work->weight);
        for (int e = 0; e < count; e++) {
            float *own = work->own[e], *trust = work->trust[e], *share = work->share[e];
            find_share(&facts[e], whole_run(samples + e * apart + done, here, padded), share);
            if (faded[e])
                find_trust(&facts[e], share, whole_run(tops + e * apart + done, here, padded), own, trust);
            else
                for (int i = 0; i < RUN; i++)
                    own[i] = trust[i] = 1.0f;
            if (e == count - 1)
                for (int i = 0; i < RUN; i++)
                    trust[i] = most_of(own[i], 1e-4f);
            add_by_time(&facts[e], share, trust, work->light, work->weight);
        }
        for (int i = 0; i < RUN; i++)
            work->expected[i] = most_of(work->light[i] / work->weight[i], facts[0].of[DARK][i]);
        clear(work->light);
        clear(work->weight);
        clear(work->square);
        first = 1.0f;
        for (int e = 0; e < count; e++, first = most_of(first * 0.001f, 1e-9f))
            add_by_noise(&facts[e], work->share[e], work->expected, first, work->trust[e], work->sure[e],
                         work->light, work->weight, work->square);
        find_told(work->light, work->weight, work->expected, work->square);
        clear(work->light);
        clear(work->weight);
        for (int e = 0; e < count; e++)
            add_what_agrees(&facts[e], work->share[e], work->own[e], work->trust[e], work->sure[e], work->expected,
                            work->square, work->light, work->weight);
        divide(work->light, work->weight, result);
        memcpy(out + done, result, (size_t)here * sizeof(float));
    }
}

static const Argument arguments[] = {{"samples", 'f', 0, 3, {-1, -2, -3}},
                                     {"tops", 'f', 0, 3, {-1, -2, -3}},
                                     {"faded", 'B', 0, 1, {-1}},
                                     {"facts", 'f', 0, 3, {-1, 3, FACTS}},
                                     {"out", 'f', 1, 2, {-2, -3}}};

PyObject *merge_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[5];
    Arrays arrays;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOO", &given[0], &given[1], &given[2], &given[3], &given[4])
        || open_arrays(given, arguments, 5, &arrays) < 0)
        return NULL;
    Py_ssize_t count = arrays.length[0], rows = arrays.length[1], length = arrays.length[2];
    Facts *facts = NULL;
    Work *work = NULL;
    if (count < 1 || count > MOST || length % 3)
        PyErr_SetString(PyExc_ValueError, "samples: from 1 to 32 exposures of whole pixels are joined");
    else if (!(facts = PyMem_Malloc((size_t)count * sizeof(Facts))) || !(work = PyMem_Malloc(sizeof(Work))))
        PyErr_NoMemory();
    else {
        const float *told = arrays.view[3].buf, *samples = arrays.view[0].buf, *tops = arrays.view[1].buf;
        float *out = arrays.view[4].buf;
        for (Py_ssize_t e = 0; e < count; e++)
            for (int k = 0; k < FACTS; k++)
                for (int i = 0; i < RUN; i++)
                    facts[e].of[k][i] = told[(3 * e + i % 3) * FACTS + k];
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t row = 0; row < rows; row++)
            join(facts, work, (int)count, samples + row * length, tops + row * length, arrays.view[2].buf,
                 rows * length, length, out + row * length);
        Py_END_ALLOW_THREADS
    }
    PyMem_Free(facts);
    PyMem_Free(work);
    close_arrays(&arrays);
    if (PyErr_Occurred())
        return NULL;
    Py_RETURN_NONE;
}
