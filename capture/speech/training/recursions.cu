// Forward-backward recursions of chain.py, one block of threads for each utterance.
//
// Compiled by nvcc for a graphics processor, or by a C++ compiler for a processor (then a "block" is one thread and
// utterances are shared out among cores). Scores o are (B, T, S); unit k has output 2k for its first frame and 2k + 1
// for later ones.
#include <cmath>
#include <cstdint>

#ifdef __CUDACC__
#define DEVICE __device__
#define SYNC __syncthreads()
#define ME threadIdx.x
#define ALL blockDim.x
#define ADD(where, what) atomicAdd(&(where), what)
#else
#include <vector>
#define DEVICE
#define SYNC
#define ME 0
#define ALL 1
#define ADD(where, what) (where) += (what)
#endif

static constexpr float NEVER = -1e30f;

DEVICE inline float add_logs(float a, float b) {
  const float top = fmaxf(a, b), low = fminf(a, b);
  return top <= NEVER ? NEVER : top + log1pf(expf(low - top));
}

DEVICE inline float at_least(float x) { return fmaxf(x, NEVER); }

// Units of one utterance in turn, optional ones may be left out. alpha: T x N x 2; work: 4 N floats (shared).
DEVICE void along(const float* o, int S, int T, const int64_t* unit, const uint8_t* optional, int N, int stride,
                  float* alpha, float* work, float* log, float* gamma) {
  float *was = work, *now = work + 2 * stride;
  for (int n = ME; n < N; n += ALL) {
    const bool first = n == 0 || (n == 1 && optional[0]);
    now[n] = first ? at_least(o[2 * unit[n]]) : NEVER;
    now[stride + n] = NEVER;
    if (gamma) alpha[2 * n] = now[n], alpha[2 * n + 1] = NEVER;
  }
  SYNC;
  for (int t = 1; t < T; t++) {
    float* swap = was;
    was = now, now = swap;
    const float* e = o + (int64_t)t * S;
    for (int n = ME; n < N; n += ALL) {
      float from = n >= 1 ? add_logs(was[n - 1], was[stride + n - 1]) : NEVER;
      if (n >= 2 && optional[n - 1]) from = add_logs(from, add_logs(was[n - 2], was[stride + n - 2]));
      const float a = at_least(from + e[2 * unit[n]]);
      const float b = at_least(add_logs(was[n], was[stride + n]) + e[2 * unit[n] + 1]);
      now[n] = a, now[stride + n] = b;
      if (gamma) {
        float* keep = alpha + ((int64_t)t * N + n) * 2;
        keep[0] = a, keep[1] = b;
      }
    }
    SYNC;
  }
  float total = add_logs(now[N - 1], now[stride + N - 1]);
  if (N >= 2) total = add_logs(total, add_logs(now[N - 2], now[stride + N - 2]));
  if (ME == 0) *log = total;
  if (!gamma) return;
  SYNC;
  for (int n = ME; n < N; n += ALL) now[n] = n >= N - 2 ? 0.0f : NEVER;
  SYNC;
  for (int t = T - 1; t >= 0; t--) {
    if (t < T - 1) {
      float* swap = was;
      was = now, now = swap;
      const float* e = o + (int64_t)(t + 1) * S;
      for (int n = ME; n < N; n += ALL) {
        float to = n + 1 < N ? was[n + 1] + e[2 * unit[n + 1]] : NEVER;
        if (n + 2 < N && optional[n + 1]) to = add_logs(to, was[n + 2] + e[2 * unit[n + 2]]);
        now[n] = at_least(add_logs(to, was[n] + e[2 * unit[n] + 1]));
      }
      SYNC;
    }
    float* g = gamma + (int64_t)t * S;
    for (int n = ME; n < N; n += ALL) {
      const float* kept = alpha + ((int64_t)t * N + n) * 2;
      ADD(g[2 * unit[n]], expf(kept[0] + now[n] - total));
      ADD(g[2 * unit[n] + 1], expf(kept[1] + now[n] - total));
    }
  }
}

// Sum of x over the block's threads; scratch holds 32 floats.
DEVICE inline float sum_all(float x, float* scratch) {
#ifdef __CUDACC__
  for (int k = 16; k; k >>= 1) x += __shfl_xor_sync(0xffffffffu, x, k);
  SYNC;
  if ((ME & 31) == 0) scratch[ME >> 5] = x;
  SYNC;
  x = 0;
  for (unsigned w = 0; w < ALL / 32; w++) x += scratch[w];
#endif
  return x;
}

// Occupancies of one frame: for each unit the sum over what came before of forward times backward.
DEVICE inline void occupy(const float* kept, const float* beta, int K, float* gamma) {
  const int L = K + 1, M = K * L;
#ifdef __CUDACC__
  const unsigned lane = ME & 31;
  for (int i = ME >> 5; i < 2 * K; i += ALL >> 5) {
    const float *a = kept + (i & 1) * M + (i >> 1) * L, *x = beta + (i >> 1) * L;
    float s = 0;
    for (int b = lane; b < L; b += 32) s += a[b] * x[b];
    for (int k = 16; k; k >>= 1) s += __shfl_xor_sync(0xffffffffu, s, k);
    if (lane == 0) gamma[i] = s;
  }
#else
  for (int i = 0; i < 2 * K; i++) {
    const float *a = kept + (i & 1) * M + (i >> 1) * L, *x = beta + (i >> 1) * L;
    gamma[i] = 0;
    for (int b = 0; b < L; b++) gamma[i] += a[b] * x[b];
  }
#endif
}

// All unit sequences under a trigram, in probabilities that are scaled at each frame. emit: exp of the scores, T x S;
// follow: K x (K + 1) x K [current, before, next]; back: the same as [current, next, before]; first: K; end:
// K x (K + 1). kept: T x 2 x K x (K + 1); scale: T; work (shared): 3 K (K + 1); scratch (shared): 32.
DEVICE void any(const float* emit, int S, int T, const float* first, const float* follow, const float* back,
                const float* end, int K, float* kept, float* scale, float* work, float* scratch, float* log,
                float* gamma) {
  const int L = K + 1, M = K * L;
  float *both = work, *fresh = work + M, *stay = work + 2 * M;
  float total = 0;
  for (int t = 0; t < T; t++) {
    const float* e = emit + (int64_t)t * S;
    float part = 0;
    if (t == 0) {
      for (int i = ME; i < M; i += ALL) {
        fresh[i] = i % L == K ? first[i / L] * e[2 * (i / L)] : 0.0f;
        stay[i] = 0.0f;
        part += fresh[i];
      }
    } else {
      for (int i = ME; i < K * K; i += ALL) {
        const int c = i / K, n = i % K;
        const float *x = both + c * L, *f = follow + (int64_t)c * L * K + n;
        float s = 0;
        for (int b = 0; b < L; b++) s += x[b] * f[b * K];
        s *= e[2 * n];
        fresh[n * L + c] = s;
        part += s;
      }
      for (int i = ME; i < M; i += ALL) {
        if (i % L == K) fresh[i] = 0.0f;
        stay[i] = both[i] * e[2 * (i / L) + 1];
        part += stay[i];
      }
    }
    const float z = fmaxf(sum_all(part, scratch), 1e-35f);
    total += logf(z);
    float* k = kept + (int64_t)t * 2 * M;
    for (int i = ME; i < M; i += ALL) {
      k[i] = fresh[i] /= z;
      k[M + i] = stay[i] /= z;
      both[i] = fresh[i] + stay[i];
    }
    if (ME == 0) scale[t] = z;
    SYNC;
  }
  float part = 0;
  for (int i = ME; i < M; i += ALL) part += both[i] * end[i];
  const float last = fmaxf(sum_all(part, scratch), 1e-35f);
  if (ME == 0) *log = total + logf(last);
  SYNC;
  float *beta = both, *into = fresh, *next = stay;
  for (int i = ME; i < M; i += ALL) beta[i] = end[i] / last;
  SYNC;
  for (int t = T - 1; t >= 0; t--) {
    if (t < T - 1) {
      const float* e = emit + (int64_t)(t + 1) * S;
      for (int i = ME; i < K * K; i += ALL) into[i] = beta[(i % K) * L + i / K] * e[2 * (i % K)];
      SYNC;
      const float z = scale[t + 1];
      for (int i = ME; i < M; i += ALL) {
        const int c = i / L, b = i % L;
        const float *x = into + c * K, *f = back + (int64_t)c * K * L + b;
        float s = beta[i] * e[2 * c + 1];
        for (int n = 0; n < K; n++) s += x[n] * f[n * L];
        next[i] = s / z;
      }
      SYNC;
      float* swap = beta;
      beta = next, next = swap;
    }
    occupy(kept + (int64_t)t * 2 * M, beta, K, gamma + (int64_t)t * S);
  }
}

#ifdef __CUDACC__
__global__ void along_all(const float* o, int T, int S, const int64_t* lengths, const int64_t* units,
                          const uint8_t* optional, const int64_t* count, int N, const int64_t* row, float* alpha,
                          float* log, float* gamma) {
  extern __shared__ float work[];
  const int64_t b = blockIdx.x, r = row[b];
  along(o + r * T * S, S, lengths[r], units + b * N, optional + b * N, count[b], N,
        alpha ? alpha + b * (int64_t)T * N * 2 : nullptr, work, log + b, gamma ? gamma + r * T * S : nullptr);
}

__global__ void any_all(const float* emit, int T, int S, const int64_t* lengths, const float* first,
                        const float* follow, const float* back, const float* end, int K, float* kept, float* scale,
                        float* log, float* gamma) {
  extern __shared__ float work[];
  __shared__ float scratch[32];
  const int64_t b = blockIdx.x;
  any(emit + b * T * S, S, lengths[b], first, follow, back, end, K, kept + b * (int64_t)T * 2 * K * (K + 1),
      scale + b * T, work, scratch, log + b, gamma + b * T * S);
}

extern "C" int along_run(void* stream, const float* o, int B, int T, int S, const int64_t* lengths,
                         const int64_t* units, const uint8_t* optional, const int64_t* count, int N,
                         const int64_t* row, int rows, float* alpha, float* log, float* gamma) {
  along_all<<<rows, 128, 4 * N * sizeof(float), (cudaStream_t)stream>>>(o, T, S, lengths, units, optional, count, N, row,
                                                                      alpha, log, gamma);
  return cudaGetLastError();
}

extern "C" int any_run(void* stream, const float* emit, int B, int T, int S, const int64_t* lengths,
                       const float* first, const float* follow, const float* back, const float* end, int K,
                       float* kept, float* scale, float* log, float* gamma) {
  const size_t bytes = 3 * K * (K + 1) * sizeof(float);
  any_all<<<B, 896, bytes, (cudaStream_t)stream>>>(emit, T, S, lengths, first, follow, back, end, K, kept, scale, log,
                                                   gamma);
  return cudaGetLastError();
}
#else
extern "C" int along_run(void*, const float* o, int B, int T, int S, const int64_t* lengths, const int64_t* units,
                         const uint8_t* optional, const int64_t* count, int N, const int64_t* row, int rows,
                         float* alpha, float* log, float* gamma) {
  std::vector<float> work(4 * N);
  for (int64_t b = 0; b < rows; b++)
    along(o + row[b] * T * S, S, lengths[row[b]], units + b * N, optional + b * N, count[b], N,
          alpha ? alpha + b * (int64_t)T * N * 2 : nullptr, work.data(), log + b,
          gamma ? gamma + row[b] * T * S : nullptr);
  return 0;
}

extern "C" int any_run(void*, const float* emit, int B, int T, int S, const int64_t* lengths,
                       const float* first, const float* follow, const float* back, const float* end, int K,
                       float* kept, float* scale, float* log, float* gamma) {
  std::vector<float> work(3 * K * (K + 1));
  float scratch[32];
  for (int64_t b = 0; b < B; b++)
    any(emit + b * T * S, S, lengths[b], first, follow, back, end, K, kept + b * (int64_t)T * 2 * K * (K + 1),
        scale + b * T, work.data(), scratch, log + b, gamma + b * T * S);
  return 0;
}
#endif
