#include <iostream>
#include <vector>

#include "coldframe/core/statistics.hpp"

int main() {
  const std::vector<double> values{5.0, 1.0, 3.0, 2.0, 400.0};
  std::cout << "median " << coldframe::median(values) << '\n';
}
